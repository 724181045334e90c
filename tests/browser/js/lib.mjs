// What every browser test needs: a browser, axe, measures of what can be touched, pictures for the eye.
import assert from "node:assert/strict";
import fs from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";

const need = createRequire(path.join(process.env.FEELGAUGE_NODE_MODULES, "x.js"));
const { chromium } = need("playwright-core");
const AXE = fs.readFileSync(need.resolve("axe-core/axe.min.js"), "utf8");
export const OUT = process.env.FEELGAUGE_BROWSER_OUT;
const QUIET = ["--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-gpu"];

export { assert };

/** A browser of the system; without a sandbox, for tests may run as root. */
export async function browser() {
  return chromium.launch({ executablePath: process.env.FEELGAUGE_CHROMIUM, args: ["--no-sandbox", ...QUIET], headless: true });
}

/** A page of a size; what goes wrong in it fails the test at `close`. */
export async function open(browser, { width, height, dark = false, calm = false, script = true }) {
  const context = await browser.newContext({
    viewport: { width, height },
    colorScheme: dark ? "dark" : "light",
    reducedMotion: calm ? "reduce" : "no-preference",
    javaScriptEnabled: script,
  });
  const page = await context.newPage();
  page.setDefaultTimeout(20_000);
  page.wrongs = [];
  page.on("pageerror", (error) => page.wrongs.push(String(error)));
  page.on("console", (message) => {
    const text = message.text();
    // A bench that is gone refuses connections; vibration needs a touch; plain HTTP on a network is not trusted with
    // COOP. None is ours.
    if (message.type() === "error" && !/ERR_CONNECTION|ERR_INCOMPLETE|navigator\.vibrate|status of 4\d\d|Cross-Origin-Opener-Policy/.test(text)) page.wrongs.push(text);
  });
  return page;
}

export async function close(page) {
  assert.deepEqual(page.wrongs, [], "errors in the page");
  await page.context().close();
}

/** WCAG 2.2 A and AA by axe, and its best practices for headings and landmarks. */
export async function accessible(page, name) {
  await page.evaluate(AXE);
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, { resultTypes: ["violations"], runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] } }));
  const told = violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160) + " | " + n.failureSummary.replace(/\s+/g, " ").slice(0, 200)).join(" || ")}`);
  assert.deepEqual(told, [], `${name}: axe`);
}

/** Whatever can be touched is 56 px high, whatever a test asks for 72, STOP's button 88; nothing runs over the edge. */
export async function measured(page, name) {
  const found = await page.evaluate(() => {
    const seen = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getBoundingClientRect().height > 0;
    const wrong = [];
    const root = document.documentElement;
    if (root.scrollWidth > innerWidth) wrong.push(`runs over the edge: ${root.scrollWidth} > ${innerWidth}`);
    for (const e of document.querySelectorAll("h1, h2, p, li, button, a, span, td, dd, select, input, textarea, img, figure")) {
      if (!seen(e) || e.closest("#speak")) continue;
      const box = e.getBoundingClientRect();
      if (box.right > innerWidth + 1 || box.left < -1) wrong.push(`over the edge: ${e.tagName} ${e.textContent.slice(0, 30)} ${Math.round(box.left)}..${Math.round(box.right)}`);
    }
    for (const e of document.querySelectorAll("button, a[href], summary, select, textarea, input:not([type=hidden])")) {
      if (!seen(e)) continue;
      const least = e.closest("#stop") ? 88 : e.closest(".act") || e.matches(".leaf, .row") ? 72 : 56;
      const { height } = e.getBoundingClientRect();
      if (height < least - 0.5) wrong.push(`${Math.round(height)} px, not ${least}: ${e.tagName} ${e.textContent.slice(0, 30)}`);
    }
    return wrong;
  });
  assert.deepEqual(found, [], name);
}

/** A picture for the eye. */
export async function shot(page, name) {
  await page.evaluate(() => document.fonts.ready);
  await page.screenshot({ path: path.join(OUT, `${name}.png`), fullPage: true });
}

/** Waits until a far word, or a heading, says this. */
export async function until(page, word, timeout = 20_000) {
  const pattern = word instanceof RegExp ? word : new RegExp(`^${word}$`);
  await page.waitForFunction(
    ([source]) => {
      const stop = document.querySelector("#stop:not([hidden]) h1");
      const heading = stop || document.querySelector("main h1");
      return heading && new RegExp(source).test(heading.textContent.trim());
    },
    [pattern.source],
    { timeout },
  );
}
