// The key: up in one press; down only pressed and held, and only where the bench file lets the page.
import { NO_TOKEN, post, token, why } from "./api.js";
import { state } from "./state.js";
import { put } from "./words.js";

const HOLD_MS = 1500;
const FOR = {
  tuning: { holding: "Keep holding: the key goes down after 1.5 s.", done: "Keyed for tuning: letting go keys up." },
  measuring: { holding: "Keep holding: the key goes down after 1.5 s.", done: "Key-down asked for. You may let go." },
  set: { holding: "Keep holding: the heat run goes on after 1.5 s.", done: "The run goes on: it keys after its rest." },
};
const releases = [];

async function up(closing = false) {
  put("done", "Asking for key up.");
  try {
    const { run } = await post("/api/key-up", null, closing);
    put("done", run === "ends" ? "The key goes up; the run ends and is kept." : "The key goes up; the sweep goes on.");
  } catch (error) { put("done", `Not keyed up by this button: ${why(error)}`); }
}
document.getElementById("keyup").addEventListener("click", () => up());
addEventListener("keydown", (event) => { if (event.key === "Escape" && state.run?.holds_key && !state.run.ended) up(); });

for (const button of document.querySelectorAll(".hold")) {
  const what = button.dataset.for, words = FOR[what];
  let held = null;
  const second = (nonce) => (what === "set" ? post("/api/band-set", { nonce, band: state.run.awaits_band })
    : post("/api/key-down", { nonce, for: what }));
  const press = async () => {
    if (held) return;
    const mine = (held = { since: performance.now(), asked: false });
    button.dataset.held = "";
    put("done", words.holding);
    try {
      const armed = await post("/api/key-down/arm");
      const wait = Math.max(HOLD_MS - (performance.now() - mine.since), armed.from_s * 1000 + 100);
      await new Promise((resolve) => setTimeout(resolve, wait));
      if (held !== mine) return;
      mine.asked = true;
      await second(armed.nonce);
      if (held === mine) put("done", words.done);
    } catch (error) {
      mine.asked = false;
      put("done", what === "set" ? `Not said: ${why(error)}` : `Not keyed: ${why(error)}`);
    }
    if (held === mine && !(mine.asked && what === "tuning")) { held = null; delete button.dataset.held; }
  };
  // For tuning the key is down while the button is held, and no longer. To measure, both hands are wanted elsewhere.
  const release = (closing = false) => {
    const mine = held;
    if (!mine) return;
    held = null;
    delete button.dataset.held;
    if (!mine.asked) put("done", "Let go too early. Nothing was done.");
    else if (what === "tuning") up(closing);
  };
  releases.push(release);
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    if (button.hasPointerCapture(event.pointerId)) button.releasePointerCapture(event.pointerId); // a finger may slide off
    press();
  });
  for (const gone of ["pointerup", "pointercancel", "pointerleave", "blur"]) button.addEventListener(gone, () => release());
  const ours = (event) => [" ", "Enter"].includes(event.key);
  button.addEventListener("keydown", (event) => { if (ours(event)) { event.preventDefault(); if (!event.repeat) press(); } });
  button.addEventListener("keyup", (event) => { if (ours(event)) release(); });
  button.addEventListener("contextmenu", (event) => event.preventDefault());
}
// Nobody looks any more: as if every hand had let go.
addEventListener("blur", () => releases.forEach((release) => release()));
addEventListener("pagehide", () => releases.forEach((release) => release(true)));
document.addEventListener("visibilitychange", () => { if (document.hidden) releases.forEach((release) => release(true)); });
if (!token) put("done", `This page only looks. To type, stop or key: ${NO_TOKEN[0].toLowerCase()}${NO_TOKEN.slice(1)}`);

export function draw() {
  const { run } = state, may = Boolean(run?.key_from_page && !run.ended && state.linked);
  document.getElementById("holds").hidden = !(may && run.kind === "sweep");
  document.getElementById("sets").hidden = !(may && run.awaits_band);
  if (!may) releases.forEach((release) => release());
  if (run?.awaits_band) put("setwhat", `Hold: ${run.awaits_band} is set`);
}
