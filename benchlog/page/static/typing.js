// Readings that a person types: of the moment the field was opened; a wrong one is kept beside what corrects it.
import { post, why } from "./api.js";
import { state } from "./state.js";
import { arrange, clock, make } from "./words.js";

let listed = null;
const forms = new Map();
const items = new Map(); // of the list, by entry: as long as one says the same, it stays the same
const NONE = make("li", { textContent: "None so far" });
const BOTH_WAYS = /^[-+]?[1-9][0-9]{0,2},[0-9]{3}$/; // the comma may part thousands, or be a decimal one

export function fields() {
  const { run } = state;
  if (!run || listed === run.session) return;
  listed = run.session;
  forms.clear();
  items.clear();
  const box = document.getElementById("fields");
  box.replaceChildren(...run.channels.filter((one) => one.typed).map(field));
  if (!box.children.length) box.append(make("p", { textContent: "This bench has no channel to type in." }));
}

function field(channel, n) {
  let opened = null, corrects = null;
  const id = `field${n}`;
  const input = make("input", { id, inputMode: "decimal", autocomplete: "off" });
  input.setAttribute("aria-describedby", `${id}says`);
  const says = make("p", { id: `${id}says`, className: "hush" });
  says.setAttribute("role", "status");
  const button = make("button", { textContent: "Enter" });
  const open = () => { if (opened === null) { opened = performance.now(); if (!corrects) says.textContent = "Opened now: the reading will be of this moment."; } };
  const shut = () => { opened = null; corrects = null; input.value = ""; button.textContent = "Enter"; };
  input.addEventListener("focus", open);
  input.addEventListener("input", open);
  input.addEventListener("blur", () => { if (!input.value && !corrects) { opened = null; says.textContent = ""; } });
  const form = make("form", {}, make("label", { htmlFor: id, textContent: channel.channel }),
    make("div", { className: "row" }, input, make("span", { className: "unit", textContent: channel.typed_unit }), button), says);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const typed = input.value.trim().replace("\u2212", "-"), text = typed.replace(",", ".");
    const value = Number(text);
    if (!text || !Number.isFinite(value)) { says.textContent = `"${input.value}" is no number. Type one like 4.5.`; input.focus(); return; }
    if (BOTH_WAYS.test(typed)) { says.textContent = `"${input.value}" can be read in two ways. Type ${typed.replace(",", "")} or ${value}.`; input.focus(); return; }
    const body = { channel: channel.channel, value, open_for_s: opened === null ? 0 : Math.min(3600, (performance.now() - opened) / 1000) };
    if (corrects) body.corrects = corrects;
    const sent = { text: input.value, opened, corrects };
    shut(); // the next one may be typed while this one is on its way
    try {
      const kept = await post("/api/readings", body);
      says.textContent = `Kept: ${kept.value} ${kept.unit}, of ${clock(kept.t_s)} on the run's clock.`;
    } catch (error) {
      const another = input.value || corrects;
      says.textContent = `Not kept${another ? ` (${sent.text})` : ""}: ${why(error)}`;
      if (!another) {
        input.value = sent.text;
        ({ opened, corrects } = sent);
        button.textContent = corrects ? "Correct" : "Enter";
      }
    }
  });
  forms.set(channel.channel, (wrong) => {
    corrects = wrong.entry;
    button.textContent = "Correct";
    says.textContent = `Corrects ${wrong.value} ${wrong.unit} of ${clock(wrong.t_s)}; its moment is kept.`;
    input.value = "";
    input.focus();
  });
  return form;
}

export function entries() {
  const { ended, typed } = state.run || { typed: [] };
  const by = new Map(typed.filter((one) => one.corrects).map((one) => [one.corrects, one]));
  for (const one of typed) {
    const made = item(one, by.get(one.entry), ended);
    if (!items.get(one.entry)?.isEqualNode(made)) items.set(one.entry, made);
  }
  const all = [...typed].reverse().map((one) => items.get(one.entry));
  arrange(document.getElementById("typed"), all.length ? all : [NONE]);
}

function item(one, right, ended) {
  const words = `${one.channel} ${one.value} ${one.unit}`, at = ` at ${clock(one.t_s)} `;
  if (right) return make("li", {}, make("del", { textContent: words }), `${at}– wrong, corrected to ${right.value} ${right.unit}`);
  const button = make("button", { type: "button", textContent: "Correct this" });
  button.setAttribute("aria-label", `Correct ${words}`);
  button.addEventListener("click", () => forms.get(one.channel)?.(one));
  return make("li", {}, words, at, one.corrects ? "– a correction " : "", ended ? null : button);
}
