// What comes after the run: what the timetable has next, and what of it was missed. A run with a person has none.
import { get } from "./api.js";
import { KINDS } from "./now.js";
import { state } from "./state.js";
import { make, moment, sentence } from "./words.js";

const EVERY_MS = 5000;
let status = null;

/** One sentence for the strip. */
export function next() {
  const first = status?.next[0];
  return first ? `Next: ${name(first)} at ${moment(first.due)}.` : "";
}

function name(one) {
  const kind = KINDS[one.run] || one.run;
  return one.entry.toLowerCase() === kind.toLowerCase() ? one.entry : `${one.entry} (${kind.toLowerCase()})`;
}

/** Asks how things stand, where no run is on; `soon` shows it. */
export async function ask(soon) {
  if (document.hidden || !state.linked || (state.run && !state.run.ended)) { draw(); return; }
  try { status = await get("/api/status"); } catch { return; } // the connection says so itself
  draw();
  soon();
}
export function follow(soon) {
  ask(soon);
  setInterval(() => ask(soon), EVERY_MS);
}

function draw() {
  const box = document.getElementById("later");
  const on = state.run && !state.run.ended;
  const items = on || !status ? [] : [
    ...status.next.map((one) => ["Next", `${name(one)} at ${moment(one.due)}.`]),
    ...status.missed.slice(-5).map((one) => ["Missed", `${name(one)}, due at ${moment(one.due)}: ${sentence(one.why)}`]),
    ...status.calibration.filter((one) => one.days <= 30).map((one) => ["Calibration", `${one.instrument}, due ${one.due}${one.days < 0 ? ": overdue" : ""}.`]),
  ];
  const told = JSON.stringify(items);
  if (box.dataset.told === told) return;
  box.dataset.told = told;
  box.replaceChildren(...(items.length ? [make("h2", { textContent: "What comes next" }), make("ul", {},
    ...items.map(([word, text]) => make("li", {}, make("b", { textContent: `${word}: ` }), text)))] : []));
}
