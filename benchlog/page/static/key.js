// The key: up in one press; down only pressed and held, and only where the bench file lets the page.
import { post, why } from "./api.js";
import { state } from "./state.js";
import { put } from "./words.js";

const HOLD_MS = 1500;

async function up() {
  put("done", "Asking for key up.");
  try {
    const { run } = await post("/api/key-up");
    put("done", run === "ends" ? "The key goes up; the run ends and is kept." : "The key goes up; the sweep goes on.");
  } catch (error) { put("done", `Not keyed up by this button: ${why(error)}`); }
}
document.getElementById("keyup").addEventListener("click", up);
addEventListener("keydown", (event) => { if (event.key === "Escape" && state.run?.holds_key && !state.run.ended) up(); });

for (const button of document.querySelectorAll(".hold")) {
  let held = null;
  const press = async () => {
    if (held) return;
    const mine = (held = { since: performance.now(), armed: null });
    button.dataset.held = "";
    put("done", "Keep holding: the key goes down after 1.5 s.");
    try {
      mine.armed = await post("/api/key-down/arm");
      const armedAt = performance.now();
      const wait = Math.max(HOLD_MS - (armedAt - mine.since), mine.armed.from_s * 1000 + 100);
      await new Promise((resolve) => setTimeout(resolve, wait));
      if (held !== mine) return;
      await post("/api/key-down", { nonce: mine.armed.nonce, for: button.dataset.for });
      put("done", "Key-down asked for. You may let go.");
    } catch (error) { put("done", `Not keyed: ${why(error)}`); }
    if (held === mine) { held = null; delete button.dataset.held; }
  };
  const release = () => {
    if (!held) return;
    held = null;
    delete button.dataset.held;
    put("done", "Let go too early. Nothing was keyed.");
  };
  button.addEventListener("pointerdown", (event) => { if (event.button === 0) press(); });
  for (const gone of ["pointerup", "pointercancel", "pointerleave", "blur"]) button.addEventListener(gone, release);
  const ours = (event) => [" ", "Enter"].includes(event.key);
  button.addEventListener("keydown", (event) => { if (ours(event)) { event.preventDefault(); if (!event.repeat) press(); } });
  button.addEventListener("keyup", (event) => { if (ours(event)) release(); });
  button.addEventListener("contextmenu", (event) => event.preventDefault());
}

export function draw() {
  document.getElementById("holds").hidden = !(state.run?.key_from_page && !state.run.ended && state.linked);
}
