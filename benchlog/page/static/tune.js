// Tuning: the plan's steps, one channel large with its held peak or dip, and a tone for eyes that are elsewhere.
import { get } from "./api.js";
import { small } from "./now.js";
import { bandNow, latest, measuring, nowS, state } from "./state.js";
import { fixed, make, put, shown, signed, together } from "./words.js";

const choice = document.getElementById("aidof"), dipButton = document.getElementById("dip"), toneButton = document.getElementById("tone");
const BESIDE = ["forward-power", "plate-current", "grid-current", "reflected-power", "alc"]; // what is tuned by
const SETTLED_S = 0.6; // a value this close to either end of a key-down is of the ramp, and is not held
let listed = null, dip = false, held = null, waiting = [], top = 0, was = null, stepsOf = "", heldBand = "";
let scale = 0; // the tone's: while the key is down it stays, or a rise that makes the bar grow would sound as a fall
let audio = null, voice = null;
const ticked = new Set();

choice.addEventListener("change", () => { dip = chosen()?.measures === "plate-current"; afresh(); });
dipButton.addEventListener("click", () => { dip = !dip; afresh(); });
document.getElementById("again").addEventListener("click", afresh);
toneButton.addEventListener("click", () => (voice ? hushed() : sing()));

function chosen() { return state.run?.channels.find((one) => one.channel === choice.value); }
function afresh() { held = null; waiting = []; was = null; scale = top = chosen()?.limits?.[1] || 0; draw(); }

/** Every message: what is held must not wait for the screen. */
export function hear(kind) {
  const { run } = state;
  if (!run) return;
  if (listed !== run.session) {
    listed = run.session;
    choice.replaceChildren(...run.channels.filter((one) => !one.typed).map((one) => new Option(one.channel, one.channel)));
    const first = measuring("plate-current") || measuring("forward-power");
    if (first && !first.typed) choice.value = first.channel;
    dip = chosen()?.measures === "plate-current";
    ticked.clear(); afresh();
  }
  if (kind === "wanted" && state.run.wanted.band !== heldBand) { heldBand = state.run.wanted.band; afresh(); }
  if (kind === "keyed-down" || kind === "keyed-up") waiting = [];
  const one = latest(chosen());
  if (one && one.value !== null && run.key.down && one.t_s !== was && one.t_s - run.key.since_s > SETTLED_S) {
    was = one.t_s;
    waiting.push(one);
    while (waiting.length && waiting[0].t_s <= one.t_s - SETTLED_S) {
      const { value } = waiting.shift();
      held = held === null ? value : dip ? Math.min(held, value) : Math.max(held, value);
    }
  }
  if (one?.value > top) top = ceiling(one.value * 1.1);
  if (!run.key.down || one?.value > 1.5 * scale) scale = top;
  pitch(one);
  if (["snapshot", "begun", "keyed-up", "typed", "wanted"].includes(kind)) extremes();
}

function ceiling(value) {
  const ten = 10 ** Math.floor(Math.log10(value));
  return [1, 1.5, 2, 3, 5, 7, 10].find((step) => step * ten >= value) * ten;
}

export function draw() {
  const channel = chosen();
  if (!channel) return;
  const one = latest(channel), value = one?.value ?? null;
  const [figure, unit] = shown(value, channel.unit);
  put("aid", figure); put("aidunit", unit);
  const word = dip ? "dip" : "peak";
  dipButton.setAttribute("aria-pressed", String(dip));
  let says = `No ${word} held yet`;
  if (held !== null) {
    says = `Held ${word} ${together(held, channel.unit)}`;
    if (value !== null && state.run.key.down) {
      const off = value - held, small = held ? Math.abs(off / held) < 0.005 : false;
      const part = held ? ` (${signed((off / held) * 100, 1)} %)` : "";
      says += small ? `; at the ${word}` : `; ${channel.unit === "Hz" ? `${signed(off)} Hz` : together(Math.abs(off), channel.unit)} ${off < 0 ? "below" : "above"}${part}`;
    }
  }
  put("aidheld", says);
  const node = document.getElementById("aidbar"), [fill, mark] = node.children;
  fill.style.transform = `scaleX(${top && value ? Math.min(1, Math.max(0, value / top)).toFixed(3) : 0})`;
  mark.style.display = held === null ? "none" : "block";
  if (held !== null) mark.style.left = `${Math.min(100, (held / top) * 100)}%`;
  small("beside", BESIDE.map(measuring).filter((one) => one && one !== channel));
  node.setAttribute("aria-label", `${channel.channel}, bar up to ${together(top, channel.unit)}`);
  steps();
}

function steps() {
  const { run } = state, band = bandNow();
  const all = run.kind === "sweep" ? [...run.sweep.tuning, ...(band?.tuning || [])] : [];
  const now = JSON.stringify([run.session, band?.band, all]);
  if (now === stepsOf) return;
  stepsOf = now;
  put("stepshead", band ? `Tuning steps, ${band.band}` : "Tuning steps");
  document.getElementById("steps").replaceChildren(...all.map((text) => {
    const name = `${band?.band} ${text}`;
    const box = make("input", { type: "checkbox", checked: ticked.has(name) });
    box.addEventListener("change", () => (box.checked ? ticked.add(name) : ticked.delete(name)));
    return make("li", {}, make("label", {}, box, text));
  }));
  if (!all.length) document.getElementById("steps").append(make("li", { textContent: "The plan has none" }));
}

/** Out of the server's series, so that they outlive a reload: since the band was asked for. */
async function extremes() {
  const { run } = state, band = bandNow(), list = document.getElementById("extremes");
  const before = run.key_downs.findLast((one) => one.counts && one.band !== band?.band);
  const from = before ? before.to_s : 0;
  const of = async (channel, a, b) => get(`/api/series?channel=${encodeURIComponent(channel.channel)}&from_s=${a}&to_s=${b}&points=500`);
  const rows = [];
  try {
    const grid = measuring("grid-current"), plate = measuring("plate-current"), alc = measuring("alc");
    if (grid) rows.push(["Peak grid current", most((await of(grid, from, nowS())).high, Math.max), grid.unit]);
    if (plate) {
      const lows = [];
      for (const tap of run.key_downs.filter((one) => one.from_s >= from && one.lasted_s > 2 * SETTLED_S).slice(-6)) {
        lows.push(...(await of(plate, tap.from_s + SETTLED_S, tap.to_s - SETTLED_S)).low);
      }
      rows.push(["Plate-current dip", most(lows, Math.min), plate.unit]);
    }
    if (alc) rows.push(["Level control", (await of(alc, from, nowS())).mean.filter((v) => v !== null).at(-1) ?? null, alc.unit]);
  } catch { return; }
  list.replaceChildren(...rows.flatMap(([name, value, unit]) => [make("dt", { textContent: name }),
    make("dd", { textContent: value === null ? "not seen yet" : together(value, unit) })]));
  if (!rows.length) list.append(make("dd", { textContent: "The bench has no such channel" }));
}
function most(values, pick) {
  const good = values.filter((value) => value !== null);
  return good.length ? pick(...good) : null;
}

function sing() {
  const Context = window.AudioContext || window.webkitAudioContext;
  if (!Context) { put("toneway", "This browser makes no sound."); return; }
  audio ||= new Context();
  audio.resume();
  const gain = audio.createGain(), oscillator = audio.createOscillator();
  gain.gain.value = 0;
  oscillator.type = "triangle";
  oscillator.connect(gain).connect(audio.destination);
  oscillator.start();
  voice = { gain, oscillator };
  toneButton.setAttribute("aria-pressed", "true");
  pitch(latest(chosen()));
}
export function hushed() {
  voice?.oscillator.stop();
  voice = null;
  toneButton.setAttribute("aria-pressed", "false");
}
/** Four octaves from nothing to the bar's end, and two beyond. */
function pitch(one) {
  if (!voice) return;
  const on = state.linked && state.run.key.down && one && one.value !== null && scale > 0;
  voice.gain.gain.setTargetAtTime(on ? 0.15 : 0, audio.currentTime, 0.03);
  if (!on) return;
  const hz = 110 * 2 ** (4 * Math.min(1.5, Math.max(0, one.value / scale)));
  voice.oscillator.frequency.setTargetAtTime(hz, audio.currentTime, 0.03);
  toneButton.dataset.hz = fixed(hz, 0);
}
export function tuningTone() { pitch(latest(chosen())); }
