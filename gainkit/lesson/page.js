const form = document.querySelector("form"), byId = id => document.getElementById(id);
const UNITS = { source_volts: "V", gain_db: "dB", rail_volts: "V", overlap_db: "dB", level_dbfs: "dBFS", volume: "%" };
const RATE = 48000, TONE_HZ = 440;

const figure = (value, digits = 3) => {
  if (!Number.isFinite(value)) return value > 0 ? "unlimited" : "-";
  if (value > 0 && value < 0.001) return "< 0.001";
  return String(Number(value.toPrecision(digits)));
};

function settings() {
  const of = name => Number(form.elements[name].value);
  return {
    source_volts: of("source_volts"), gain_db: of("gain_db"), rail_volts: of("rail_volts"),
    overlap_db: of("overlap_db"), level_dbfs: of("level_dbfs"), load_ohms: of("load_ohms"),
    music: byId("p-music").checked ? 1 : 0,
  };
}
const figuresOf = s =>
  FIGURES(s.source_volts, s.gain_db, s.rail_volts, s.overlap_db, s.level_dbfs, s.load_ohms);

// Music-like: four chords of partials whose number makes the amplitudes nearly Gaussian, rms CREST_DB below 1.
function musicSamples(rate) {
  let seed = 12345;
  const random = () => (seed = (seed * 1103515245 + 12345) % 2147483648) / 2147483648;
  const out = new Float32Array(4 * rate), chord = new Float64Array(rate);
  [55, 65, 49, 73].forEach((root, bar) => {
    chord.fill(0);
    for (const step of [1, 1.25, 1.5, 2])
      for (let k = 1; k <= 40; k++) {
        const hertz = Math.round(root * step * k), phase = 2 * Math.PI * random();
        if (hertz > 8000) break;
        const size = random() / k ** 0.6, turn = 2 * Math.PI * hertz / rate;
        // one multiplication a sample: x[n+1] = 2 cos(turn) x[n] - x[n-1]
        let before = size * Math.sin(phase - turn), now = size * Math.sin(phase);
        const twice = 2 * Math.cos(turn);
        for (let n = 0; n < rate; n++) { chord[n] += now; [before, now] = [now, twice * now - before]; }
      }
    const rms = Math.sqrt(chord.reduce((sum, x) => sum + x * x, 0) / rate), wanted = 10 ** (-CREST_DB / 20);
    for (let n = 0; n < rate; n++) {
      const fade = Math.min(1, n / 480, (rate - 1 - n) / 480);
      out[bar * rate + n] = Math.max(-1, Math.min(1, chord[n] * wanted / rms)) * fade;
    }
  });
  return out;
}
let music = null;
const musicNow = () => (music ??= musicSamples(RATE));

// The wave that the output wants, in volts: what it would be without a rail.
function wanted(s, f, points) {
  if (!s.music) {
    const peak = f.wanted_volts * Math.SQRT2;
    return Array.from({ length: points }, (_, n) => peak * Math.sin(4 * Math.PI * n / (points - 1)));
  }
  const peak = s.source_volts * Math.SQRT2 * 10 ** (s.gain_db / 20), from = 9600, samples = musicNow();
  return Array.from({ length: points }, (_, n) => peak * samples[from + n * 2]);
}

// -0.04 is told as 0.0: no figure that rounds to nothing has a minus
const decibels = (value) => (Number(value.toFixed(1)) + 0).toFixed(1) + " dB";
const path = (values, x, y) => values.map((v, n) => `${n ? "L" : "M"}${x(n).toFixed(1)} ${y(v).toFixed(1)}`).join("");

function drawWave(s, f) {
  const points = 481, wish = wanted(s, f, points), rail = s.rail_volts;
  const held = wish.map(v => Math.max(-rail, Math.min(rail, v)));
  const top = 1.25 * Math.max(rail, ...held.map(Math.abs), Math.min(2 * rail, Math.max(...wish.map(Math.abs))));
  const x = n => 46 + n * 500 / (points - 1), y = v => 130 - v / top * 122;
  const line = (v, told) =>
    `<path class="rail axis" d="M46 ${y(v)}H546"/><text x="552" y="${y(v) + 4}">${told}</text>`;
  const tick = v => `<text x="40" y="${y(v) + 4}" text-anchor="end">${figure(v, 2)}</text>`;
  byId("wave").innerHTML =
    `<clipPath id="frame"><rect x="46" y="8" width="500" height="244"/></clipPath><path class="axis" d="M46 130H546M46 8V252"/>` +
    line(rail, `rail ${figure(rail)} V`) + line(-rail, `rail -${figure(rail)} V`) + tick(rail) + tick(0) + tick(-rail) +
    `<g clip-path="url(#frame)"><path class="wish" d="${path(wish, x, y)}"/><path class="wave" d="${path(held, x, y)}"/></g>` +
    `<text x="50" y="18">output [V]${s.music ? ", 20 ms of music" : ", two cycles"}; dashed: without a rail</text>`;
}

// Power spectrum of a real signal: radix 2, Hann window.
function spectrumOf(samples) {
  const size = samples.length, re = new Float64Array(size), im = new Float64Array(size);
  for (let n = 0, m = 0; n < size; n++) {
    re[m] = samples[n] * (0.5 - 0.5 * Math.cos(2 * Math.PI * n / size));
    let bit = size >> 1;
    for (; m & bit; bit >>= 1) m ^= bit;
    m |= bit;
  }
  for (let half = 1; half < size; half *= 2)
    for (let k = 0; k < half; k++) {
      const c = Math.cos(Math.PI * k / half), d = -Math.sin(Math.PI * k / half);
      for (let a = k; a < size; a += 2 * half) {
        const b = a + half, r = c * re[b] - d * im[b], i = c * im[b] + d * re[b];
        re[b] = re[a] - r; im[b] = im[a] - i; re[a] += r; im[a] += i;
      }
    }
  return Array.from({ length: size / 2 }, (_, n) => re[n] ** 2 + im[n] ** 2);
}
const thirds = power => {
  const out = [];
  for (let n = 17; n <= 42; n++) {
    const low = 10 ** ((n - 0.5) / 10), high = 10 ** ((n + 0.5) / 10), step = RATE / (2 * power.length);
    let sum = 0;
    for (let bin = Math.ceil(low / step); bin < high / step && bin < power.length; bin++) sum += power[bin];
    out.push([10 ** (n / 10), 10 * Math.log10(sum + 1e-30)]);
  }
  return out;
};

function drawSpectrum(s, f) {
  const low = 40, high = 20000, x = hz => 46 + 500 * Math.log(hz / low) / Math.log(high / low);
  let bars, was = [];
  if (s.music) {
    const peak = s.source_volts * Math.SQRT2 * 10 ** (s.gain_db / 20) / s.rail_volts;
    const part = Array.from(musicNow().slice(9600, 9600 + 8192), v => v * peak);
    was = thirds(spectrumOf(part));
    bars = thirds(spectrumOf(part.map(v => Math.max(-1, Math.min(1, v)))));
    const most = Math.max(...was.map(each => each[1]));
    bars = bars.map(([hz, db]) => [hz, db - most]); was = was.map(([hz, db]) => [hz, db - most]);
  } else {
    bars = [[TONE_HZ, 0]];
    if (f.over_db > 0) for (let n = 3; n * TONE_HZ < high; n += 2) bars.push([n * TONE_HZ, HARMONIC_DB(n, f.over_db)]);
  }
  const y = db => 12 + Math.min(Math.max(-db, 0), 80) * 2;
  const ticks = [50, 100, 200, 500, 1000, 2000, 5000, 10000].map(hz =>
    `<text x="${x(hz)}" y="188" text-anchor="middle">${hz >= 1000 ? hz / 1000 + "k" : hz}</text>`).join("");
  const levels = [0, -20, -40, -60, -80].map(db =>
    `<path class="axis" d="M46 ${y(db)}H546"/><text x="40" y="${y(db) + 4}" text-anchor="end">${db}</text>`).join("");
  byId("spectrum").innerHTML = levels + ticks +
    bars.filter(each => each[1] > -80).map(([hz, db]) => `<path class="bar" d="M${x(hz)} 172V${y(db)}"/>`).join("") +
    (was.length ? `<path class="wish" d="${path(was.map(each => each[1]), n => x(was[n][0]), y)}"/>` : "") +
    `<text x="552" y="20">[dB]</text><text x="552" y="188">[Hz]</text>`;
}

function show() {
  const s = settings(), f = figuresOf(s);
  for (const [name, unit] of Object.entries(UNITS)) {
    const field = form.elements[name];
    const text = `${figure(Number(field.value))} ${unit}`;
    field.closest("label").querySelector("output").textContent = text;
    field.setAttribute("aria-valuetext", text);
  }
  for (const each of form.elements.level_dbfs.parentNode.children) each.disabled = Boolean(s.music);
  const tone = !s.music;
  const told = {
    true_volts: tone ? figure(f.true_volts, 4) + " V" : "moves",
    average_volts: tone ? figure(f.average_volts, 4) + " V" : "moves",
    watts: figure(tone ? f.watts : f.music_watts) + " W", thd_percent: tone ? figure(f.thd_percent) + " %" : "-",
    headroom_db: decibels(f.headroom_db), clip_watts: figure(f.clip_watts) + " W", set_volts: figure(f.set_volts, 4) + " V",
    set_gain_db: decibels(f.set_gain_db), sensitivity_volts: figure(f.sensitivity_volts) + " V",
    music_clipped_percent: figure(f.music_clipped_percent, 2) + " %", music_watts: figure(f.music_watts) + " W",
  };
  for (const [id, text] of Object.entries(told)) byId(id).textContent = text;
  const over = tone ? f.over_db : -f.headroom_db, verdict = byId("verdict");
  verdict.className = over > 0.005 ? "clipped" : "";
  verdict.textContent = over > 0.005
    ? `Clipped: ${tone ? "the crest" : "a full-scale peak"} would reach ${over.toFixed(1)} dB beyond the rail.`
    : `Clean: ${Math.abs(over).toFixed(1)} dB to the rail${tone ? "" : " at full-scale peaks"}.`;
  drawWave(s, f);
  drawSpectrum(s, f);
  let done = 0;
  document.querySelectorAll("#tasks > li").forEach((item, number) => {
    if (TASKS[number](s, f)) {
      item.classList.add("done");
      item.querySelector(".mark").textContent = "\u2713 done";
    }
    done += item.classList.contains("done");
  });
  byId("count").textContent = `(${done} of ${TASKS.length} done)`;
  showTask();
  if (sound) tune(sound, s, f);
}

// The task at hand stands by the wave with the figures to watch, or a phone's reader would scroll to and fro.
let task = 0;
function showTask() {
  const item = document.querySelectorAll("#tasks > li")[task], done = item.classList.contains("done");
  const title = `${task + 1}. ${item.querySelector("b").textContent}: `;
  const text = title + (done ? "\u2713 done. " + item.querySelector(".shows").textContent : item.querySelector("p").textContent);
  if (byId("now").textContent !== text) byId("now").textContent = text;
  byId("watched").textContent = item.dataset.watch.split(" ")
    .map(id => `${byId(id).parentNode.firstChild.textContent} ${byId(id).textContent}`).join(", ");
  document.querySelector(".now").className = done ? "now done" : "now";
}
for (const [id, step] of [["back", -1], ["next", 1]])
  byId(id).addEventListener("click", () => { task = (task + step + TASKS.length) % TASKS.length; showTask(); });

// A slider's step is finer than a fingertip: buttons beside it turn it by one step.
for (const range of form.querySelectorAll("input[type=range]")) {
  const turn = document.createElement("span"), name = range.closest("label").firstChild.textContent.trim();
  turn.className = "turn";
  range.setAttribute("aria-label", name);
  range.replaceWith(turn);
  for (const [sign, way] of [["\u2212", "stepDown"], ["+", "stepUp"]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = sign;
    button.setAttribute("aria-label", `${name}: ${way === "stepUp" ? "more" : "less"}`);
    button.addEventListener("click", () => { range[way](); show(); });
    turn.append(button);
    if (way === "stepDown") turn.append(range);
  }
}

// ---- sound: programme, drive, rail, one trim for equal loudness under the cap, volume ----
const volumeNow = () => (Number(form.elements.volume.value) / 100) ** 2;

function bufferOf(context, music) {
  const rate = context.sampleRate, frames = music ? 4 * rate : rate;
  const buffer = context.createBuffer(1, frames, rate), data = buffer.getChannelData(0);
  if (music) data.set(musicSamples(rate).subarray(0, frames));
  else for (let n = 0; n < frames; n++) data[n] = Math.sin(2 * Math.PI * TONE_HZ * n / rate);
  return buffer;
}

function build(context, s, f, kind) {
  const source = context.createBufferSource(), drive = context.createGain(), rail = context.createWaveShaper();
  const trim = context.createGain(), volume = context.createGain();
  source.buffer = bufferOf(context, s.music);
  source.loop = true;
  rail.curve = kind === "clipped" ? new Float32Array([-1, 0, 1]) : null;  // beyond its ends it holds: a hard rail
  rail.oversample = "4x";
  source.connect(drive).connect(rail).connect(trim).connect(volume).connect(context.destination);
  const made = { context, source, drive, trim, volume, kind, music: s.music };
  for (const [param, value] of gains(made, s, f)) param.value = value;
  return made;
}

// Rms of the cut and of the clean wave over the rail; the trim makes both alike, and the higher peak the cap.
function gains(made, s, f) {
  const drive = (s.music ? s.source_volts * 10 ** (s.gain_db / 20) : f.wanted_volts) * Math.SQRT2 / s.rail_volts;
  const cut = Math.sqrt(s.music ? f.music_watts / f.clip_watts / 2 : (f.true_volts / f.clip_volts) ** 2 / 2);
  const clean = s.music ? drive * 10 ** (-CREST_DB / 20) : drive / Math.SQRT2;
  const equal = made.kind === "clipped" ? 1 : cut / clean;
  const highest = Math.max(Math.min(drive, 1), drive * cut / clean, 1e-6);
  // the oversampled rail's filter may ring a little beyond it
  return [[made.drive.gain, drive], [made.trim.gain, 0.8 * CAP * equal / highest], [made.volume.gain, volumeNow()]];
}

let sound = null;
function tune(made, s, f) {
  if (made.music !== s.music) return play(made.kind);
  for (const [param, value] of gains(made, s, f)) param.setTargetAtTime(value, made.context.currentTime, 0.02);
}
function stop() {
  if (sound) { sound.source.stop(); sound.context.close(); sound = null; }
  for (const id of ["clipped", "clean"]) byId(id).setAttribute("aria-pressed", "false");
}
function play(kind) {
  stop();
  const s = settings();
  sound = build(new AudioContext(), s, figuresOf(s), kind);
  sound.source.start();
  byId(kind).setAttribute("aria-pressed", "true");
}
// What would be heard, for trying: (peak, rms) of so many seconds.
async function rendered(kind, seconds) {
  const s = settings(), context = new OfflineAudioContext(1, RATE * seconds, RATE);
  build(context, s, figuresOf(s), kind).source.start();
  const data = (await context.startRendering()).getChannelData(0).subarray(2400);
  return [data.reduce((most, v) => Math.max(most, Math.abs(v)), 0), Math.sqrt(data.reduce((sum, v) => sum + v * v, 0) / data.length)];
}

byId("clipped").addEventListener("click", () => play("clipped"));
byId("clean").addEventListener("click", () => play("clean"));
byId("stop").addEventListener("click", stop);
form.addEventListener("input", show);
show();
