// Every scene that the renderer left behind: nothing over the edge from 320 to 1280 px, targets large enough, axe in light
// and dark. Usage: scenes.mjs DIR
import fs from "node:fs";
import http from "node:http";
import path from "node:path";
import { assert, accessible, browser, close, measured, open, shot } from "./lib.mjs";

const dir = process.argv[2];
const TYPES = { ".html": "text/html; charset=utf-8", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".woff2": "font/woff2" };
const POLICY = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'";
// In place of a photograph: what stands upright when it is shown right.
const PICTURE = '<svg xmlns="http://www.w3.org/2000/svg" width="960" height="1280"><rect width="960" height="1280" fill="#7b8b86"/><rect y="900" width="960" height="380" fill="#4a3f35"/><rect x="200" y="560" width="560" height="260" fill="#b5482f"/><circle cx="300" cy="860" r="110"/><circle cx="660" cy="860" r="110"/></svg>';
const SIZES = [[320, 640], [360, 640], [412, 800], [700, 360], [900, 700], [1280, 900]];

// A server like the bench's: same policy, a stream that only beats.
const server = http.createServer((request, response) => {
  const { pathname } = new URL(request.url, "http://x");
  if (pathname === "/stream") {
    response.writeHead(200, { "content-type": "text/event-stream" });
    response.write("event: beat\ndata:\n\n");
    return;
  }
  if (pathname.endsWith("/shown.jpg")) {
    response.writeHead(200, { "content-type": "image/svg+xml", "content-security-policy": POLICY });
    response.end(PICTURE);
    return;
  }
  const file = path.join(dir, path.normalize(pathname));
  if (!file.startsWith(dir) || !fs.existsSync(file)) return response.writeHead(404).end();
  response.writeHead(200, { "content-type": TYPES[path.extname(file)] ?? "text/plain", "content-security-policy": POLICY });
  response.end(fs.readFileSync(file));
});
await new Promise((done) => server.listen(0, "127.0.0.1", done));
const home = `http://127.0.0.1:${server.address().port}`;
const names = fs.readdirSync(dir).filter((n) => n.endsWith(".html")).map((n) => n.slice(0, -5)).sort();

const wrong = [];
const note = (error) => wrong.push(error.message.split("\n").slice(0, 12).join("\n"));
const chromium = await browser();
for (const dark of [false, true]) {
  const page = await open(chromium, { width: 360, height: 800, dark });
  for (const name of names) {
    await page.setViewportSize({ width: 360, height: 800 });
    await page.goto(`${home}/${name}.html`);
    await accessible(page, `${name}, ${dark ? "dark" : "light"}`).catch(note);
    await shot(page, `scene-${name}-${dark ? "dark" : "light"}-360`);
    if (dark) continue;
    for (const [width, height] of SIZES) {
      await page.setViewportSize({ width, height });
      await measured(page, `${name} at ${width}x${height}`).catch(note);
    }
    await shot(page, `scene-${name}-light-1280`);
  }
  await close(page);
}
await chromium.close();
server.closeAllConnections();
server.close();
assert.equal(wrong.length, 0, wrong.join("\n"));
console.log(`${names.length} scenes looked at`);
