"use strict";
// The page works by its forms alone. This adds: the live figure, several screens in step, files, tones.

const byId = (name) => document.getElementById(name);
const line = byId("line");
let spoken = "", spokenAt = 0, player = null, lively = false;

// ---- the part of the page that changes --------------------------------------------------------------------

function show(html, own) {
  const made = new DOMParser().parseFromString(html, "text/html").getElementById("now");
  const now = byId("now");
  const newer = made ? Number(made.dataset.version) - Number(now.dataset.version) : -1;
  if (newer < 0 || (newer === 0 && !own)) return;
  const same = made.dataset.step === now.dataset.step;
  const typed = new Map();
  const active = document.activeElement, inside = now.contains(active), held = active && active.id;
  const answer = same && own && news(own, made);
  if (same) {
    for (const each of now.querySelectorAll("input[id]:not([type=file]), select[id]")) {
      if (each.value !== each.defaultValue) typed.set(each.id, each.value);
    }
    for (const each of now.querySelectorAll("details[open]")) {
      const twin = made.querySelectorAll("details")[[...now.querySelectorAll("details")].indexOf(each)];
      if (twin) twin.open = true;
    }
  }
  now.replaceWith(made);
  for (const [id, value] of typed) if (byId(id)) byId(id).value = value;
  if (same && inside && byId(held)) byId(held).focus({ preventScroll: true });
  else if (inside) made.querySelector("h1").focus({ preventScroll: true });
  if (!same || answer) window.scrollTo(0, 0);
  if (!same) {
    if (player) stopTone();
    say(made.querySelector("h1").textContent);
  }
}

// What of a page an answer at its top may change.
function atTop(part) {
  const reading = part.querySelector("#keeping [name=reading]");
  return `${reading && reading.value} ${part.querySelector(".confirm") !== null}`;
}

// Whether what a person did here, who saw `before`, has an answer at the top, where it may be out of sight.
function news(before, made) {
  return made.querySelector(".wrong[role=alert]:not([hidden])") !== null || atTop(made) !== before;
}

async function refresh() {
  const answer = await fetch("/now").catch(() => null);
  if (answer && answer.ok) show(await answer.text());
}

function say(text) {
  const at = Date.now();
  if (text === spoken || at - spokenAt < 2000) return;
  spoken = text;
  spokenAt = at;
  byId("spoken").textContent = text;
}

function live(told) {
  const now = byId("now");
  if (told.step !== now.dataset.step) return;
  lively = told.state === "on";
  if (byId("livetext")) byId("livetext").textContent = told.text;
  if (byId("knob") && !turning && "knob" in told && document.activeElement !== byId("knob")) setKnob(told.knob);
  if (byId("keeping") && byId("keeping").querySelector("[action='/do/drop']")) return;  // a reading waits
  const large = byId("large"), mark = byId("mark"), look = told.look;
  if (!large || !mark) return;
  large.textContent = look ? look.large : told.text;
  byId("figures").replaceChildren(...(look ? look.figures : []).flatMap((text, place, all) => {
    const figure = document.createElement("span");
    figure.className = "figure";
    figure.textContent = place < all.length - 1 ? `${text} ·` : text;
    return [figure, " "];
  }));
  const seen = look && look.place !== null;
  mark.setAttribute("visibility", seen ? "visible" : "hidden");
  if (seen) mark.setAttribute("transform", `translate(${120 + look.place} 36)`);
  byId("bar").setAttribute("aria-label", look ? look.bar : byId("bar").dataset.none);
  byId("remarks").replaceChildren(...(look ? look.remarks : []).map((each) => {
    const item = document.createElement("li");
    item.className = each.severity;
    item.textContent = each.text;
    return item;
  }));
  byId("keeping").hidden = !told.counts;
  say(look ? look.large : told.text);
}

// ---- the stream: comes back by itself -----------------------------------------------------------------------

const QUIET_MS = 8000;  // the server says something every three seconds
let stream = null, heardAt = 0;

function listen() {
  if (stream) stream.close();
  stream = new EventSource("/events");
  heardAt = Date.now();
  for (const name of ["beat", "changed", "live"]) stream.addEventListener(name, heard);
  stream.addEventListener("changed", refresh);
  stream.addEventListener("live", (event) => live(JSON.parse(event.data)));
  stream.onopen = heard;
  stream.onerror = () => {
    lost();
    if (stream.readyState !== EventSource.CLOSED) return;
    refused();
    setTimeout(() => { if (!document.hidden) listen(); }, 1000);
  };
}

function heard() {
  heardAt = Date.now();
  if (document.body.classList.contains("lost") || !line.textContent) line.textContent = line.dataset.back;
  document.body.classList.remove("lost");
}

function lost() {
  line.textContent = line.dataset.lost;
  document.body.classList.add("lost");
  if (lively) live({ step: byId("now").dataset.step, text: line.dataset.short, counts: false, look: null });
  lively = false;
}

// A network that is gone closes no line: silence tells it, and no figure of before may stand as if it were live.
setInterval(() => {
  if (stream && Date.now() - heardAt > QUIET_MS) { lost(); listen(); }
}, 1000);

// A server that was started again knows no screen of before: say so instead of 'it comes back'.
async function refused() {
  const answer = await fetch("/now").catch(() => null);
  if (answer && answer.status === 401) line.textContent = await answer.text();
}

// A page that nobody sees holds no line: a browser has six of them for all pages of an address.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) { if (stream) stream.close(); stream = null; } else if (!stream) listen();
});

// ---- what a person does ---------------------------------------------------------------------------------------

function failed(text) {
  const place = byId("failed");
  if (place) { place.textContent = text; place.hidden = false; }
}

async function send(address, body) {
  const before = atTop(byId("now"));  // the stream may bring the change sooner than the answer
  try {
    const answer = await fetch(address, { method: "POST", body, headers: { "x-part": "now" } });
    const text = await answer.text();
    if (text.includes('id="now"')) show(text, before); else failed(text);
  } catch {
    failed(byId("now").dataset.notsent);
  }
}

// A second tap of a hand in a glove would press what has come to stand there meanwhile.
document.addEventListener("click", (event) => {
  if (event.detail > 1 && event.target.closest("[data-do] button")) event.preventDefault();
}, true);

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.matches("[data-file]")) { event.preventDefault(); return; }
  if (!form.matches("[data-do]")) return;
  event.preventDefault();
  const values = new URLSearchParams(new FormData(form));
  for (const each of form.querySelectorAll("input[id]:not([name=who])")) each.defaultValue = each.value;
  send(form.action, values);
});

async function upload(file) {
  const form = document.querySelector("[data-file]");
  if (!form || !file) return;
  const label = byId("label"), reading = byId("reading");
  const query = new URLSearchParams({ step: byId("now").dataset.step, name: file.name });
  if (label) query.set("label", label.value);
  if (reading) query.set("volts", reading.value);
  const large = byId("large"), before = large.textContent;
  large.textContent = byId("now").dataset.working;
  await send(`/capture?${query}`, file);
  if (large.isConnected) large.textContent = before;
}

document.addEventListener("change", (event) => {
  if (event.target.id === "file") upload(event.target.files[0]);
});
document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  document.body.classList.remove("dropping");
  upload(event.dataTransfer.files[0]);
});

// ---- the knob of the simulated amplifier ----------------------------------------------------------------------

let turning = false, wanted = null;
async function turn() {
  if (turning) return;
  turning = true;
  while (wanted !== null) {
    const value = wanted;
    wanted = null;
    await fetch("/knob", { method: "POST", body: new URLSearchParams({ db: value }) }).catch(() => null);
  }
  turning = false;
}
function turnTo(value) { wanted = value; turn(); }
function setKnob(value) {
  byId("knob").value = value;
  byId("knob").setAttribute("aria-valuetext", `${byId("knob").value} dB`);
}
document.addEventListener("input", (event) => {
  if (event.target.id !== "knob") return;
  setKnob(event.target.value);
  turnTo(event.target.value);
});

// ---- tones: from here into the source's input -----------------------------------------------------------------

const START_DB = -40, RISE_SECONDS = 4, PAUSE_SECONDS = 2;

async function playTone(button, after) {
  stopTone();
  const context = new AudioContext();
  const rise = context.createGain();
  const least = 10 ** (START_DB / 20);
  player = { context };
  byId("player").hidden = false;
  byId("stop").focus();
  rise.connect(context.destination);
  const up = () => {
    rise.gain.setValueAtTime(least, context.currentTime);
    rise.gain.exponentialRampToValueAtTime(1, context.currentTime + RISE_SECONDS);
  };
  if (button.dataset.kind === "sine") {
    const tone = context.createOscillator();
    const level = context.createGain();
    tone.frequency.value = Number(button.dataset.hz);
    level.gain.value = 10 ** (Number(button.dataset.dbfs) / 20);
    tone.connect(level).connect(rise);
    up();
    tone.start();
    return;
  }
  const answer = await fetch(`/tone?step=${encodeURIComponent(button.dataset.step)}`);
  if (!answer.ok) { stopTone(); failed(await answer.text()); return; }
  const track = await context.decodeAudioData(await answer.arrayBuffer());
  // its first seconds rise from far down, so that a volume left up is heard in time; then a pause, then all of it
  const first = context.createBufferSource();
  first.buffer = track;
  first.connect(rise);
  up();
  first.start(context.currentTime, 0, RISE_SECONDS);
  const source = context.createBufferSource();
  source.buffer = track;
  source.connect(rise);
  source.onended = () => { if (player && player.context === context) stopTone(); };
  source.start(context.currentTime + RISE_SECONDS + PAUSE_SECONDS);
  if (after) {
    setTimeout(() => { if (player && player.context === context) after(track.duration); },
      1000 * (RISE_SECONDS + PAUSE_SECONDS / 2));
  }
}

function stopTone() {
  if (player) player.context.close();
  player = null;
  byId("player").hidden = true;
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.id === "play") playTone(button);
  if (button.id === "stop") stopTone();
  if (button.id === "record") {
    playTone({ dataset: { ...byId("play").dataset } }, (seconds) => {
      const values = { step: button.dataset.step, seconds: seconds + PAUSE_SECONDS };
      send("/record", new URLSearchParams(values));
    });
  }
  if (button.id === "knob-less" || button.id === "knob-more") {
    const knob = byId("knob");
    setKnob(Number(knob.value) + (button.id === "knob-more" ? 0.5 : -0.5));
    turnTo(knob.value);
  }
});
window.addEventListener("pagehide", stopTone);

listen();
