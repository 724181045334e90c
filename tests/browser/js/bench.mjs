// The daemon on the virtual bench, as a process that can be ended, killed and started again.
import { execFileSync, spawn } from "node:child_process";
import fs from "node:fs";
import os from "node:os";
import path from "node:path";

/** A bench in a folder of its own. `options` follow `bench --virtual`. */
export class Bench {
  constructor(name, options = [], inspection = "") {
    this.folder = fs.mkdtempSync(path.join(os.tmpdir(), `feelgauge-${name}-`));
    this.options = options;
    this.inspection = inspection && path.join(this.folder, inspection);
    this.listen = "127.0.0.1:0";
    this.said = "";
  }

  /** Starts it; from the second time on at the address that it had. */
  async start() {
    const place = this.inspection ? ["--inspection", this.inspection] : ["--out", path.join(this.folder, "captures")];
    const args = ["bench", "--virtual", ...place, "--listen", this.listen, ...this.options];
    // Its places for settings and for what runs are its own: nothing of the person's is read.
    const env = { ...process.env, HOME: this.folder, XDG_CONFIG_HOME: this.folder, XDG_STATE_HOME: this.folder, XDG_RUNTIME_DIR: this.folder };
    this.child = spawn(process.env.FEELGAUGE_BIN, args, { env, stdio: ["ignore", "pipe", "pipe"] });
    this.child.stderr.on("data", (piece) => (this.said += piece));
    this.ended = new Promise((done) => this.child.on("exit", (code, signal) => done(code ?? signal)));
    this.url = await new Promise((found, fail) => {
      let out = "";
      this.child.stdout.on("data", (piece) => {
        out += piece;
        this.said += piece;
        const url = /http:\/\/[^\s"]+/.exec(out);
        if (url && out.includes("\n")) found(url[0].replace(/\/$/, ""));
      });
      this.child.on("exit", (code) => fail(new Error(`the bench ended with ${code}: ${this.said}`)));
    });
    this.port = Number(new URL(this.url).port);
    this.listen = `${this.listen.split(":")[0]}:${this.port}`;
    return this.url;
  }

  /** Asks it to end and waits. */
  async end() {
    this.child.kill("SIGTERM");
    return this.ended;
  }

  /** Takes it away in the middle of whatever it does. */
  async kill() {
    this.child.kill("SIGKILL");
    return this.ended;
  }

  /** Ends it and removes its folder. */
  async close() {
    if (this.child.exitCode === null && this.child.signalCode === null) await this.end();
    fs.rmSync(this.folder, { recursive: true, force: true });
  }

  /** A command of the program beside it; what it said. */
  command(...args) {
    return execFileSync(process.env.FEELGAUGE_BIN, args, { cwd: this.folder, encoding: "utf8" });
  }

  /** Folders of its captures. */
  captures() {
    const folder = path.join(this.inspection || this.folder, "captures");
    return fs.existsSync(folder) ? fs.readdirSync(folder).filter((n) => /^\d{8}T/.test(n)).sort() : [];
  }
}
