// Takes what the stream tells, and has it shown, said and sounded.
import { get, why } from "./api.js";
import * as key from "./key.js";
import * as later from "./later.js";
import * as now from "./now.js";
import { state, take } from "./state.js";
import { follow } from "./stream.js";
import * as trend from "./trend.js";
import * as tune from "./tune.js";
import * as typing from "./typing.js";
import { make, put, sentence, shown, signed } from "./words.js";

const LISTS = ["snapshot", "begun", "wanted", "keyed-down", "recognised", "keyed-up", "trouble", "alarm", "band-results", "ended"];
const speak = document.getElementById("speak");
let due = false, known = 0;

function draw() {
  due = false;
  now.draw(); key.draw(); tune.draw();
}
function soon() { if (!due) { due = true; requestAnimationFrame(draw); } }

function told(kind, data, id) {
  if (!take(kind, data, id)) return;
  tune.hear(kind);
  if (LISTS.includes(kind)) now.bands();
  if (["snapshot", "begun"].includes(kind)) { typing.fields(); trend.refresh(true); known = state.run?.findings.length || 0; }
  if (["snapshot", "begun", "typed", "ended"].includes(kind)) typing.entries();
  if (["snapshot", "begun", "ended"].includes(kind)) later.ask(soon);
  if (kind === "keyed-up" || kind === "ended") setTimeout(() => trend.refresh(true), 300);
  news(kind, data);
  soon();
}

/** For who cannot see: what happens, never the running figures. */
function news(kind, data) {
  if (kind === "keyed-down") put("said", "Key down.");
  if (kind === "recognised" && data.band) put("said", `${data.band} recognised.`);
  if (kind === "long-enough") put("said", "Long enough. Key up.");
  if (kind === "keyed-up") { put("said", data.text); aloud(data); }
  if (kind === "trouble") put("said", `Trouble: ${data.text}`);
  if (kind === "ended") put("said", sentence(data.text));
  if (kind === "band-results") {
    if (data.findings.length > known) put("said", `Finding: ${data.findings.at(-1).text}`);
    known = data.findings.length;
  }
  if (kind === "alarm") loudly(data);
  if (kind === "snapshot") stillOf(data.run);
}

/** What was told before this page was there, where the key has been down ever since. */
function stillOf(run) {
  const newest = run?.alarms.at(-1);
  if (newest && run.key.down && run.key.since_s <= newest.t_s) loudly(newest);
}
function loudly(alarm) {
  const button = make("button", { type: "button", textContent: "Seen" });
  const box = document.getElementById("alarm");
  button.addEventListener("click", () => box.replaceChildren());
  box.replaceChildren(make("span", { textContent: alarm.text }), button);
}

function aloud(data) {
  if (speak.getAttribute("aria-pressed") !== "true" || !data.counts) return;
  const words = [data.band ? data.band.replace(/ m$/, " metres") : "No band", data.power_w === null ? "" : `${shown(data.power_w, "W")[0]} watts`,
    data.frequency_error_hz === null ? "" : `${signed(data.frequency_error_hz).replace("+", "plus ").replace("\u2212", "minus ")} hertz`];
  speechSynthesis.cancel();
  speechSynthesis.speak(new SpeechSynthesisUtterance(words.filter(Boolean).join(". ")));
}
speak.hidden = !("speechSynthesis" in window);
speak.addEventListener("click", () => speak.setAttribute("aria-pressed", String(speak.getAttribute("aria-pressed") !== "true")));

function link(good) {
  if (good === state.linked) return;
  if (!good) { state.lostAt = performance.now(); tune.tuningTone(); }
  else if (state.lostAt) put("said", "Connection is back.");
  state.linked = good;
  tune.tuningTone();
  soon();
}

function view() {
  const name = ["now", "tune", "type", "records"].includes(location.hash.slice(1)) ? location.hash.slice(1) : "now";
  document.body.dataset.view = name;
  for (const one of document.querySelectorAll("nav a")) {
    if (one.hash === `#${name}`) one.setAttribute("aria-current", "page"); else one.removeAttribute("aria-current");
  }
  scrollTo(0, 0);
  if (name === "records") sessions();
  if (name === "now") trend.refresh(true);
}
addEventListener("hashchange", () => { if (location.hash !== "#main") view(); });

async function sessions() {
  const list = document.getElementById("sessions");
  try {
    const all = await get("/api/sessions");
    list.replaceChildren(...all.reverse().map((one) => make("li", {},
      make("a", { href: `/api/sessions/${one.id}/record.html`, target: "_blank", rel: "noopener", textContent: `Session ${one.id}: ${one.kind}, ${one.transmitter} ${one.serial}` }),
      ` ${one.started.slice(0, 16).replace("T", " ")} UTC. ${one.ended ? sentence(one.ending || "ended") : "Running."} To print: `,
      printed(one, "a4", "A4"), ", ", printed(one, "letter", "Letter"))));
    if (!all.length) list.replaceChildren(make("li", { textContent: "None yet" }));
  } catch (error) { list.replaceChildren(make("li", { textContent: why(error) })); }
}

function printed(one, paper, size) {
  const link = make("a", { href: `/api/sessions/${one.id}/record.pdf?paper=${paper}`, target: "_blank", rel: "noopener", textContent: `PDF, ${size}` });
  link.setAttribute("aria-label", `Session ${one.id} as PDF, ${size}`);
  return link;
}

const theme = document.getElementById("theme"), dark = matchMedia("(prefers-color-scheme: dark)");
const isDark = () => (document.documentElement.dataset.theme || (dark.matches ? "dark" : "light")) === "dark";
function themed() { theme.setAttribute("aria-pressed", String(isDark())); trend.refresh(true); }
theme.addEventListener("click", () => {
  localStorage.setItem("theme", (document.documentElement.dataset.theme = isDark() ? "light" : "dark"));
  themed();
});
dark.addEventListener("change", themed);

// The fixed things cover nothing: what is last on the page can be scrolled clear of the key-up bar.
new ResizeObserver(([bar]) => { document.body.style.paddingBottom = `${bar.target.offsetHeight + 16}px`; }).observe(document.getElementById("hand"));
themed(); view(); draw();
setInterval(soon, 250);
later.follow(soon);
follow(told, link);
requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(trend.load, 0)));
