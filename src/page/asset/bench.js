// The page follows the bench: what the stream brings takes the place of what is shown, the newest wins. Without this script
// every form and page works; only nothing moves by itself and nothing sounds.
"use strict";
(() => {
  const body = document.body;
  const live = body.dataset.live === "true";
  const byId = (id) => document.getElementById(id);
  const wide = matchMedia("(min-width:900px)");
  const calm = matchMedia("(prefers-reduced-motion:reduce)");
  const SILENT_MS = 6000; // the bench says something every 2 s at least
  const RETRY_MS = 1000;

  // --- swapping: what is alike stays, so that focus, scroll and a finger on a button are not lost
  const parse = (html) => {
    const template = document.createElement("template");
    template.innerHTML = html;
    return template.content;
  };
  const told = (root) => {
    for (const time of root.querySelectorAll("time")) {
      const at = new Date(time.dateTime);
      if (Number.isNaN(at.getTime())) continue;
      const hour = at.toTimeString().slice(0, 5);
      const day = [at.getFullYear(), at.getMonth() + 1, at.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
      time.textContent = time.className === "day" ? day + " " + hour : hour;
    }
  };
  const morph = (old, fresh) => {
    if (old.tagName === "DETAILS" && fresh.tagName === "DETAILS") fresh.open = old.open;
    if (old.isEqualNode(fresh)) return;
    const now = [...old.children], next = [...fresh.children];
    const alike = old.id && old.id === fresh.id && old.tagName === fresh.tagName && now.length > 0 && now.length === next.length &&
      next.every((child, i) => child.id && child.id === now[i].id);
    if (!alike) {
      const held = old.contains(document.activeElement) ? document.activeElement.id : "";
      old.replaceWith(fresh);
      if (held && byId(held)) byId(held).focus({ preventScroll: true });
      return;
    }
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
    for (const { name, value } of [...fresh.attributes]) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    now.forEach((child, i) => morph(child, next[i]));
  };
  const swap = (html) => {
    const fresh = parse(html);
    told(fresh);
    for (const element of [...fresh.children]) {
      const old = byId(element.id);
      if (old) morph(old, element);
    }
  };

  // --- sound: unlocked by the first touch; the same tone for every verdict
  let audio = null;
  const unlock = () => {
    audio = audio || (window.AudioContext ? new AudioContext() : null);
    if (!audio) return;
    audio.resume().then(() => { body.dataset.sound = "on"; }, () => {});
  };
  for (const event of ["pointerdown", "keydown"]) addEventListener(event, unlock, { passive: true });
  const tone = (hertz, after, length, loud) => {
    if (!audio || audio.state !== "running") return;
    const start = audio.currentTime + after;
    const source = audio.createOscillator(), gain = audio.createGain();
    source.type = "square";
    source.frequency.value = hertz;
    gain.gain.setValueAtTime(loud, start);
    gain.gain.setTargetAtTime(0, start + length, 0.01);
    source.connect(gain).connect(audio.destination);
    source.start(start);
    source.stop(start + length + 0.1);
  };
  const sounds = {
    counted: () => tone(1200, 0, 0.04, 0.3),
    missed: () => { tone(220, 0, 0.06, 0.3); tone(220, 0.14, 0.06, 0.3); },
    decided: () => tone(523, 0, 0.9, 0.25),
    stop: () => { tone(800, 0, 0.22, 0.8); tone(1600, 0.25, 0.22, 0.8); },
  };
  let siren = 0;
  const title = document.title.replace(/^STOP - /, "");
  const heard = {};
  const listen = (scene) => {
    const { counted, missed, decided } = scene.dataset;
    if (heard.scene === "running" && counted > (heard.counted || 0)) sounds.counted();
    else if (heard.scene === "running" && missed > (heard.missed || 0)) sounds.missed();
    if (heard.scene === "running" && decided) sounds.decided();
    Object.assign(heard, { scene: scene.dataset.scene, counted: +counted || 0, missed: +missed || 0 });
  };

  // --- the guard: over everything, title and focus too
  const warned = () => {
    const stop = byId("stop"), on = Boolean(stop) && !stop.hidden;
    if (on && !siren) {
      siren = setInterval(sounds.stop, 500);
      sounds.stop();
      scrollTo(0, 0);
      byId("let-go").focus();
      navigator.vibrate && navigator.vibrate([400, 100, 400]);
    } else if (!on && siren) {
      clearInterval(siren);
      siren = 0;
    }
    const scene = byId("scene");
    document.title = on ? "STOP - the cord will not move" : (scene && scene.dataset.title) || title;
  };

  // --- what is shown
  let spoken = "";
  const seen = () => {
    const scene = byId("scene");
    if (!scene) return;
    body.dataset.scene = scene.dataset.scene;
    body.dataset.test = scene.dataset.test || "";
    listen(scene);
    if (scene.dataset.speak !== spoken) {
      spoken = scene.dataset.speak;
      const say = scene.querySelector(".say");
      byId("speak").textContent = spoken + ". " + (say ? say.textContent : "");
      byId("denied").hidden = true;
    }
    warned();
  };
  const show = (html) => {
    const before = byId("scene") && byId("scene").dataset.scene;
    found();
    swap(html);
    seen();
    if (byId("scene") && byId("scene").dataset.scene !== before && byId("stop").hidden) scrollTo(0, 0);
  };
  let next = {}, due = false, painted = 0;
  const paint = () => {
    due = false;
    const now = performance.now(), { scene, picture } = next;
    const still = picture !== undefined && calm.matches && now - painted < 500;
    next = still ? { picture } : {};
    if (scene !== undefined) {
      show(scene);
      painted = now;
    }
    if (still) return void setTimeout(plan, 500 - (now - painted));
    if (picture === undefined || body.dataset.lost || !byId("live")) return;
    painted = now;
    swap(picture);
  };
  const plan = () => {
    if (due) return;
    due = true;
    requestAnimationFrame(paint);
  };
  const coalesce = (what, html) => {
    if (what === "scene") next = {}; // a picture of before is no picture of this scene
    next[what] = html;
    plan();
  };

  // --- the bench is lost, and found again
  let lastHeard = Date.now(), kept = null;
  const lost = () => {
    if (body.dataset.lost) return;
    body.dataset.lost = "yes";
    const at = new Date(lastHeard).toTimeString().slice(0, 5);
    if (!live) return void deny("The bench does not answer since " + at + ". It is tried again.");
    const scene = byId("scene"), fresh = byId("lost").content.cloneNode(true);
    kept = scene.cloneNode(true);
    const one = fresh.querySelector(".one"), figure = scene.querySelector(".num"), pictures = byId("live");
    for (const when of fresh.querySelectorAll(".asof")) when.textContent = at;
    if (figure) {
      const unit = figure.querySelector("small");
      if (unit) unit.textContent += ", as of " + at;
      one.append(figure);
      const range = scene.querySelector(".rng");
      if (range) one.append(range);
    }
    for (const heading of pictures ? pictures.querySelectorAll("h2") : []) heading.textContent += ", as of " + at;
    const silent = fresh.querySelector(".silent");
    byId("probes-sum").textContent = silent.textContent;
    silent.remove();
    const act = fresh.querySelector(".act");
    scene.replaceChildren(one, ...(pictures ? [pictures] : []), act);
    scene.dataset.scene = "lost";
    document.title = "bench lost" + (body.dataset.test ? " - " + body.dataset.test : "");
  };
  const found = () => {
    if (!body.dataset.lost) return;
    delete body.dataset.lost;
    byId("denied").hidden = true;
    if (kept) byId("scene").replaceWith(kept);
    kept = null;
  };

  // --- the stream
  let stream = null, retry = 0;
  const open = () => {
    clearTimeout(retry);
    if (stream) stream.close();
    stream = new EventSource("/stream?width=" + (wide.matches ? "wide" : "narrow"));
    const on = (name, act) => stream.addEventListener(name, (event) => { lastHeard = Date.now(); act(event.data); });
    on("scene", (html) => { live ? coalesce("scene", html) : found(); });
    on("picture", (html) => live && coalesce("picture", html));
    on("stop", (html) => { swap(html); warned(); });
    on("beat", () => {});
    on("end", () => { lost(); again(); });
    stream.onerror = () => { again(); if (Date.now() - lastHeard > RETRY_MS * 1.5) lost(); };
  };
  const again = () => {
    stream.close();
    clearTimeout(retry);
    retry = setTimeout(open, RETRY_MS);
  };
  setInterval(() => { if (Date.now() - lastHeard > SILENT_MS) { lost(); lastHeard = Math.min(lastHeard, Date.now() - SILENT_MS); again(); } }, 1000);
  wide.addEventListener("change", open);
  addEventListener("pageshow", (event) => event.persisted && open());

  // --- forms without leaving the page, so that sound stays unlocked
  const deny = (words) => {
    const denied = byId("denied");
    denied.className = "fault";
    denied.textContent = words;
    denied.hidden = false;
  };
  addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post" || !form.getAttribute("action").startsWith("/do/")) return;
    event.preventDefault();
    fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), redirect: "manual" }).then(async (answer) => {
      byId("denied").hidden = true;
      if (answer.status < 400) return;
      const say = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector(".say");
      deny(say ? say.textContent : "The bench refused that.");
    }, () => deny("The bench does not answer."));
  });

  told(document);
  seen();
  warned();
  open();
})();
