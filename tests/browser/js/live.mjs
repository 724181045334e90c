// The page on a running bench: each test to its verdict, the guard, unplug, reload, two browsers, keyboard, no script, the
// bench lost and found. Usage: live.mjs [scenario...]
import os from "node:os";
import path from "node:path";
import { Bench } from "./bench.mjs";
import { accessible, assert, browser, close, measured, open, shot, until } from "./lib.mjs";

const PHONE = { width: 360, height: 740 };
const LAPTOP = { width: 1280, height: 800 };
const SPEED = process.env.FEELGAUGE_SPEED ?? "8";
const PATIENCE = 60_000;

const press = (page, id) => page.locator(`#${id}`).click();
const text = (page, selector) => page.locator(selector).first().innerText();

/** From the start to the running test: leaf, setup, cautions, begin. */
async function begin(page, test, setup) {
  await until(page, "Pick a test");
  await press(page, `leaf-${test}`);
  await press(page, `setup-${setup}`);
  await until(page, test === "leak" ? "drain first" : test === "roll" ? "wheels free" : /out$/);
  await press(page, "begin");
  await page.waitForSelector("#scene[data-scene=running]");
}

/** Back to the start from wherever the page is, through whatever warns on the way. */
async function home(page) {
  await page.goto(new URL("/", page.url()).href);
  for (let i = 0; i < 60; i++) {
    const visible = async (id) => page.locator(`#${id}`).isVisible().catch(() => false);
    if (await visible("leaf-leak")) return;
    for (const id of ["let-go", "stop-test", "leave"]) if (await visible(id)) await press(page, id).catch(() => {});
    await page.waitForTimeout(250); // a person's patience: the bench measures in between
  }
  assert.fail("no way back to the start");
}

/** Turns a switch of the virtual bench, if it does not stand so already. */
async function fault(page, id, on) {
  const button = page.locator(`#${id}`);
  if (!(await button.isVisible())) await press(page, "virtual-sum");
  if ((await button.getAttribute("aria-pressed")) === String(on)) return;
  await button.click();
  await page.waitForSelector(`#${id}[aria-pressed=${on}]`);
}

/** A bench at its start without faults, whatever was before. */
async function anew(chromium, bench) {
  const page = await open(chromium, PHONE);
  await page.goto(bench.url);
  await page.evaluate(async () => {
    const faults = ["seeping_lid", "seized_engine", "worn_engine", "snag"].map((fault) => ({ fault, on: false }));
    for (const kind of ["pressure", "force", "hall"]) faults.push({ fault: "unplugged", kind, on: false });
    for (const fault of faults) await fetch("/do/fault", { method: "POST", body: new URLSearchParams(fault), redirect: "manual" });
  });
  await home(page);
  await page.waitForFunction(() => /^3 probes answer/.test(document.getElementById("probes-sum").textContent), null, { timeout: PATIENCE });
  await page.context().close();
}

/** The distinct far words that a page shows, in order, from now on. */
async function follow(page) {
  await page.evaluate(() => {
    window.words = [];
    const look = () => {
      const word = document.querySelector("#scene h1")?.textContent.trim();
      if (word && word !== window.words.at(-1)) window.words.push(word);
    };
    look();
    new MutationObserver(look).observe(document.body, { childList: true, subtree: true, characterData: true });
  });
}

/** Sounds are counted in place of being heard. */
async function ears(page) {
  await page.addInitScript(() => {
    window.tones = [];
    const start = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (when) {
      window.tones.push(this.frequency.value);
      return start.call(this, when);
    };
  });
}

const scenarios = {
  async leak(chromium, bench) {
    const page = await open(chromium, PHONE);
    await ears(page);
    await page.goto(bench.url);
    await until(page, "Pick a test");
    await measured(page, "start");
    await shot(page, "live-start-360");
    assert.equal(await text(page, "#sound"), "Sound is off: touch the page. Keep the screen on during a test.");
    await press(page, "leaf-leak");
    await shot(page, "live-setups-360");
    await measured(page, "setups");
    await press(page, "leaf-leak");
    await begin(page, "leak", "whole");
    await follow(page);
    await until(page, "pump");
    await shot(page, "live-pump-360");
    await until(page, "hands off", PATIENCE);
    await shot(page, "live-settle-360");
    await page.waitForSelector("#one .rng", { timeout: PATIENCE });
    await measured(page, "hold");
    await accessible(page, "hold");
    await shot(page, "live-hold-360");
    await until(page, /within|outside|undecided/, PATIENCE);
    await shot(page, "live-leak-decided-360");
    await measured(page, "decided");
    const words = await page.evaluate(() => window.words);
    assert.deepEqual(words.slice(0, 2), ["pump", "hands off"], "pump, then hands off, and no word more");
    assert.equal(words.length, 3);
    assert.match(await text(page, ".rng"), /\d to .*\d, limit/);
    assert.equal(await text(page, "#sound"), " Keep the screen on during a test.".trim());
    assert.ok((await page.evaluate(() => window.tones)).includes(523), "a verdict sounds");
    assert.match(await page.title(), new RegExp(words[2]));
    await press(page, "leave");
    await until(page, "Pick a test");
    assert.equal(bench.captures().length, 1);
    await page.goto(`${bench.url}/captures`);
    await page.locator(".kept a").first().click();
    await page.waitForSelector("figure svg");
    await accessible(page, "capture");
    await shot(page, "live-capture-360");
    await close(page);
  },

  async seeping(chromium, bench) {
    const page = await open(chromium, { ...LAPTOP, dark: true });
    await page.goto(bench.url);
    await fault(page, "fault-seeping_lid", true);
    await begin(page, "leak", "whole");
    await until(page, "outside", PATIENCE);
    await shot(page, "live-leak-outside-1280-dark");
    await accessible(page, "outside");
    assert.match(await text(page, ".say"), /clamp the lid/);
    assert.equal(await text(page, "#next"), "Lid clamped");
    await press(page, "next");
    await until(page, "drain first");
    assert.match(await text(page, ".where span"), /lid clamped/i);
    await press(page, "leave");
    await fault(page, "fault-seeping_lid", false);
    await close(page);
  },

  async pull(chromium, bench) {
    const page = await open(chromium, PHONE);
    await ears(page);
    await page.goto(bench.url);
    await begin(page, "pull", "plug_in_cold");
    await follow(page);
    await until(page, "pull again", PATIENCE);
    await page.waitForSelector("#one .rng", { timeout: PATIENCE });
    await shot(page, "live-pull-between-360");
    await measured(page, "between pulls");
    await until(page, /within|outside|undecided/, PATIENCE);
    await shot(page, "live-pull-decided-360");
    await accessible(page, "pull decided");
    const words = await page.evaluate(() => window.words);
    assert.equal(words.at(-1), "within", words.join());
    const ticks = (await page.evaluate(() => window.tones)).filter((hertz) => hertz === 1200).length;
    assert.ok(ticks >= 2, `${ticks} ticks for the pulls that count`);
    await press(page, "leave");
    await close(page);
  },

  async roll(chromium, bench) {
    const page = await open(chromium, LAPTOP);
    await page.goto(bench.url);
    await until(page, "Pick a test");
    await press(page, "virtual-sum");
    await page.selectOption("#snag-part", "ring_f");
    await press(page, "fault-snag");
    await page.waitForFunction(() => document.querySelector("#snag-part option[selected]")?.value === "ring_f");
    await begin(page, "roll", "one_fl");
    await until(page, "hands off", PATIENCE);
    await page.waitForSelector("#live figure svg");
    await shot(page, "live-rolling-1280");
    await until(page, /within|outside|undecided/, PATIENCE);
    await shot(page, "live-suspects-1280");
    await accessible(page, "suspects");
    assert.equal(await text(page, "main h1"), "outside");
    assert.match(await text(page, ".num"), /hits? in \d+ turns/);
    assert.match(await page.locator(".pic").innerText(), /front ring gear/);
    await press(page, "leave");
    await until(page, "Pick a test");
    await page.selectOption("#snag-part", "");
    await press(page, "fault-snag");
    await close(page);
  },

  async guard(chromium, bench) {
    const page = await open(chromium, PHONE);
    await ears(page);
    const other = await open(chromium, LAPTOP);
    await page.goto(bench.url);
    await other.goto(`${bench.url}/captures`);
    await fault(page, "fault-seized_engine", true);
    await begin(page, "pull", "plug_in_cold");
    await until(page, "STOP", PATIENCE);
    await until(other, "STOP");
    for (const seen of [page, other]) {
      assert.match(await seen.title(), /^STOP/);
      assert.equal(await seen.evaluate(() => document.activeElement.id), "let-go");
      assert.equal(await seen.locator("#stop").getAttribute("role"), "alertdialog");
      assert.equal(await seen.locator("#head").isVisible(), false, "it takes the whole page");
      await accessible(seen, "STOP");
      await measured(seen, "STOP");
    }
    await shot(page, "live-stop-360");
    await shot(other, "live-stop-1280");
    await page.waitForFunction(() => window.tones.includes(800) && window.tones.includes(1600), null, { timeout: 5000 });
    await page.reload();
    await until(page, "STOP");
    assert.equal(await page.evaluate(() => document.activeElement.id), "let-go", "a reload changes nothing");
    await page.keyboard.press("Enter");
    await page.waitForSelector("#stop[hidden]", { state: "attached" });
    await other.waitForSelector("#stop[hidden]", { state: "attached" });
    assert.equal(await page.locator("#head").isVisible(), true);
    await other.waitForFunction(() => !document.title.startsWith("STOP"), null, { timeout: 5000 });
    await home(page);
    await fault(page, "fault-seized_engine", false);
    assert.ok(bench.captures().some((name) => name.includes("pull")), "the record went on behind it");
    await close(page);
    await close(other);
  },

  async unplug(chromium, bench) {
    const page = await open(chromium, PHONE);
    await page.goto(bench.url);
    await begin(page, "leak", "whole");
    await until(page, "hands off", PATIENCE);
    await fault(page, "plug-pressure", true);
    await page.waitForSelector(".fault", { timeout: PATIENCE });
    await page.waitForFunction(() => /gone/.test(document.querySelector("#one .say").textContent), null, { timeout: PATIENCE });
    await shot(page, "live-unplugged-360");
    await measured(page, "unplugged");
    await accessible(page, "unplugged");
    assert.match(await text(page, ".fault"), /pressure probe is gone since \d\d:\d\d/);
    await fault(page, "plug-pressure", false);
    await page.waitForFunction(() => !document.querySelector(".fault"), null, { timeout: PATIENCE });
    await home(page);
    await close(page);
  },

  async reload(chromium, bench) {
    const page = await open(chromium, PHONE);
    const other = await open(chromium, LAPTOP);
    await page.goto(bench.url);
    await other.goto(bench.url);
    await begin(page, "leak", "whole");
    await until(other, "pump", PATIENCE);
    await until(page, "hands off", PATIENCE);
    await page.reload();
    await until(page, "hands off");
    await until(other, "hands off");
    assert.equal(bench.captures().length > 0, true);
    await press(other, "stop-test");
    await page.waitForSelector("#scene[data-scene=ended]", { timeout: PATIENCE });
    await other.waitForSelector("#scene[data-scene=ended]", { timeout: PATIENCE });
    assert.equal(await text(page, "main h1"), await text(other, "main h1"), "two browsers, one bench");
    await home(page);
    await close(page);
    await close(other);
  },

  async keyboard(chromium, bench) {
    const page = await open(chromium, PHONE);
    await page.goto(bench.url);
    await until(page, "Pick a test");
    const tabTo = async (id) => {
      for (let i = 0; i < 40; i++) {
        await page.keyboard.press("Tab");
        if ((await page.evaluate(() => document.activeElement.id)) === id) return;
      }
      assert.fail(`${id} is not reached by the Tab key`);
    };
    await tabTo("leaf-pull");
    await shot(page, "live-focus-360");
    await page.keyboard.press("Enter");
    await tabTo("setup-plug_in_cold");
    await page.keyboard.press("Enter");
    await until(page, "fuel out");
    await tabTo("begin");
    await page.keyboard.press("Space");
    await page.waitForSelector("#scene[data-scene=running]");
    await tabTo("stop-test");
    await page.waitForSelector("#one .rng", { timeout: PATIENCE });
    assert.equal(await page.evaluate(() => document.activeElement.id), "stop-test", "the focus stays while the figures change");
    await page.keyboard.press("Enter");
    await page.waitForSelector("#scene[data-scene=ended]", { timeout: PATIENCE });
    await tabTo("leave");
    await page.keyboard.press("Enter");
    await until(page, "Pick a test");
    await close(page);
  },

  async noscript(chromium, bench) {
    const page = await open(chromium, { ...PHONE, script: false });
    await page.goto(bench.url);
    await press(page, "leaf-leak");
    await press(page, "setup-whole");
    assert.equal(await text(page, "main h1"), "drain first");
    await press(page, "leave");
    assert.equal(await text(page, "main h1"), "Pick a test");
    await close(page);
  },

  async lost(chromium, bench) {
    const page = await open(chromium, PHONE);
    const still = await open(chromium, LAPTOP);
    await page.goto(bench.url);
    await still.goto(`${bench.url}/captures`);
    await begin(page, "pull", "plug_in_cold");
    await page.waitForSelector("#one .num", { timeout: PATIENCE });
    await bench.kill();
    await until(page, "bench lost", PATIENCE);
    await shot(page, "live-lost-360");
    await measured(page, "lost");
    await accessible(page, "lost");
    assert.equal(await text(page, ".say"), "Do not pull. A stuck cord cannot be shown here.");
    assert.match(await text(page, ".num"), /as of \d\d:\d\d/);
    assert.match(await text(page, ".why"), /^Since \d\d:\d\d this page hears nothing/);
    assert.match(await page.title(), /^bench lost/);
    await still.waitForSelector("#denied:not([hidden])", { timeout: PATIENCE });
    await bench.start();
    await until(page, "Pick a test", PATIENCE);
    assert.equal(await page.locator("#scene").getAttribute("data-scene"), "start");
    await still.waitForSelector("#denied[hidden]", { state: "attached", timeout: PATIENCE });
    await shot(page, "live-found-360");
    assert.equal(await bench.end(), 0, "asked to end it ends well, with pages open");
    await until(page, "bench lost", PATIENCE);
    assert.equal(await page.locator(".in-pull").isVisible(), false, "no pull runs");
    await bench.start();
    await until(page, "Pick a test", PATIENCE);
    await close(page);
    await close(still);
  },
};

/** How often the picture changes, at the pace of life: 10 a second and more, 2 with reduced motion. */
async function frames(chromium) {
  const bench = new Bench("frames");
  await bench.start();
  const rate = async (calm) => {
    const page = await open(chromium, { ...PHONE, calm });
    await page.goto(bench.url);
    await begin(page, "leak", "whole");
    await page.waitForSelector("#live figure", { timeout: PATIENCE });
    // A tank at rest draws the same picture again and again, and that is not sent.
    await until(page, "hands off");
    // Mean of four seconds: one of them may be of other programs' making.
    const seconds = await page.evaluate(
      () =>
        new Promise((done) => {
          const from = performance.now(), seconds = [0, 0, 0, 0];
          let last = document.getElementById("live");
          const look = () => {
            const live = document.getElementById("live"), second = Math.floor((performance.now() - from) / 1000);
            if (second > 3) return done(seconds);
            if (live !== last) seconds[second] += 1;
            last = live;
            requestAnimationFrame(look);
          };
          look();
        }),
    );
    await home(page);
    await close(page);
    return seconds;
  };
  try {
    const [lively, calm] = [await rate(false), await rate(true)];
    console.log(`frames in each of four seconds: ${lively}, with reduced motion ${calm}`);
    const mean = lively.reduce((sum, n) => sum + n, 0) / lively.length;
    assert.ok(mean >= 10 && Math.max(...lively) <= 17, `${lively} frames a second`);
    assert.ok(Math.max(...calm) <= 4 && Math.min(...calm) <= 2, `${calm} frames a second with reduced motion`);
  } finally {
    await bench.close();
  }
}

/** Shows a picture's pixels: left, right, top and bottom of what is seen. */
const corners = (page, selector) =>
  page.locator(selector).evaluate(async (img) => {
    await img.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [img.naturalWidth, img.naturalHeight];
    const pen = canvas.getContext("2d");
    pen.drawImage(img, 0, 0);
    const at = (x, y) => [...pen.getImageData(Math.floor(x * (canvas.width - 1)), Math.floor(y * (canvas.height - 1)), 1, 1).data.slice(0, 3)];
    return { width: img.naturalWidth, height: img.naturalHeight, top: at(0.5, 0.05), bottom: at(0.5, 0.95) };
  });

/** A photograph that lies on its side: made in the browser, turned by its notes (orientation 6). */
async function sideways(page) {
  const plain = await page.evaluate(() => {
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [1200, 800];
    const pen = canvas.getContext("2d");
    for (const [colour, x] of [["#c81414", 0], ["#1414c8", 300]]) {
      pen.fillStyle = colour;
      pen.fillRect(x, 0, 1200 - x, 800);
    }
    return canvas.toDataURL("image/jpeg", 0.9).split(",")[1];
  });
  const bytes = Buffer.from(plain, "base64");
  const notes = Buffer.from("457869660000" + "49492a0008000000" + "0100" + "120103000100000006000000" + "00000000", "hex");
  const head = Buffer.from([0xff, 0xe1, 0, notes.length + 2]);
  return Buffer.concat([bytes.subarray(0, 2), head, notes, bytes.subarray(2)]);
}

/** An inspection from the page: seen, photographed, measured, and the command beside it. */
async function inspection(chromium) {
  const bench = new Bench("inspection", ["--speed", SPEED], "visit");
  bench.command("inspection", "open", bench.inspection, "--tag", "14", "--car", "Plover 8", "--by", "Ines");
  try {
    await bench.start();
    const page = await open(chromium, PHONE);
    const still = await open(chromium, { ...LAPTOP, dark: true, script: false });
    await page.goto(bench.url);
    await until(page, "Pick a test");
    await page.locator("#links a", { hasText: "inspection" }).click();
    await until(page, "Plover 8");
    await press(page, "observe");
    await until(page, "What did you see or feel.");
    await page.locator("input[value=felt]").check();
    await page.fill("#text", "play in the front axle");
    await measured(page, "observe");
    await shot(page, "live-observe-360");
    await press(page, "done");
    await until(page, "Plover 8");
    assert.match(await text(page, ".done li"), /Felt\. Play in the front axle/);

    await press(page, "photograph");
    assert.equal(await page.locator("#file").getAttribute("capture"), "environment");
    const file = { name: "IMG_0001.jpg", mimeType: "image/jpeg", buffer: Buffer.from("<svg/>") };
    await page.locator("#file").setInputFiles(file);
    await press(page, "done");
    await page.waitForSelector("main .fault");
    assert.match(await text(page, "main .fault"), /an SVG drawing/);
    await page.locator("#file").setInputFiles({ ...file, buffer: await sideways(page) });
    await page.fill("#words", "the car from the left");
    await page.locator("input[name=tag]").check();
    await shot(page, "live-photograph-360");
    await press(page, "done");
    await until(page, "The car from the left");
    const seen = await corners(page, ".photograph img");
    assert.deepEqual([seen.width, seen.height], [800, 1200], "turned right");
    assert.ok(seen.top[0] > 150 && seen.bottom[2] > 150, JSON.stringify(seen));
    await accessible(page, "photograph");
    await measured(page, "photograph");
    await shot(page, "live-shown-360");

    bench.command("inspection", "observe", bench.inspection, "fuel at the tank", "--smelt");
    await page.goto(bench.url);
    await begin(page, "leak", "whole");
    await until(page, /within|outside|undecided/, PATIENCE);
    await page.goto(`${bench.url}/inspection`);
    const lines = await page.locator(".done li").allInnerTexts();
    assert.match(lines[0], /Finding written/);
    assert.match(lines[1], /Measured\. Leak, setup whole, as it came in/);
    assert.match(lines[2], /Smelt\. Fuel at the tank/);
    await page.locator(".done .chip").first().waitFor();
    await accessible(page, "inspection");
    await measured(page, "inspection");
    await shot(page, "live-inspection-360");

    await still.goto(`${bench.url}/inspection/work`);
    await still.fill("#text", "lid seal renewed");
    await press(still, "done");
    await until(still, "Plover 8").catch(() => {});
    assert.match(await text(still, ".done li"), /Work done\. Lid seal renewed/);
    await shot(still, "live-inspection-1280-dark");
    assert.equal(bench.captures().length, 1);
    await close(page);
    await close(still);
  } finally {
    await bench.close();
  }
}

/** A phone on the network is let in with the code alone. */
async function pairing(chromium) {
  const here = Object.values(os.networkInterfaces()).flat().find((a) => a.family === "IPv4" && !a.internal)?.address;
  if (!here) return console.log("SKIPPED: pairing needs a network address beside 127.0.0.1");
  const bench = new Bench("pairing", ["--lan", "--speed", SPEED]);
  bench.listen = "0.0.0.0:0";
  try {
    await bench.start();
    const url = `http://${here}:${bench.port}`;
    const page = await open(chromium, PHONE);
    await page.goto(url);
    await until(page, "pair first");
    await accessible(page, "pairing");
    await measured(page, "pairing");
    await shot(page, "live-pair-360");
    await page.fill("#code", "WRONG1");
    await page.locator("form.pair button").click();
    await page.waitForSelector(".fault");
    await shot(page, "live-pair-wrong-360");
    // The terminal shows the code: the only word of its length in capitals and digits.
    const code = /\bcode\b\W+([A-Z0-9-]{4,12})/i.exec(bench.said)?.[1];
    assert.ok(code, `a code is in: ${bench.said}`);
    await page.fill("#code", code);
    await page.locator("form.pair button").click();
    await until(page, "Pick a test");
    await close(page);
  } finally {
    await bench.close();
  }
}

const named = process.argv.slice(2);
const chromium = await browser();
const bench = new Bench("live", ["--speed", SPEED]);
await bench.start();
let failed = 0;
const run = async (name, scenario) => {
  if (named.length > 0 && !named.includes(name)) return;
  const from = Date.now();
  try {
    await scenario();
    console.log(`ok ${name}, ${((Date.now() - from) / 1000).toFixed(1)} s`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED ${name}: ${error.stack ?? error}`);
    for (const context of chromium.contexts()) {
      for (const page of context.pages()) await page.screenshot({ path: path.join(process.env.FEELGAUGE_BROWSER_OUT, `failed-${name}.png`) }).catch(() => {});
      await context.close();
    }
    await anew(chromium, bench).catch((worse) => console.log(`and no way back: ${worse}`));
  }
};
for (const [name, scenario] of Object.entries(scenarios)) await run(name, () => scenario(chromium, bench));
await run("inspection", () => inspection(chromium));
await run("frames", () => frames(chromium));
await run("pairing", () => pairing(chromium));
await chromium.close();
await bench.close();
if (failed > 0) {
  console.log(bench.said);
  process.exit(1);
}
