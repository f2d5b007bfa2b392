// The one screen: what is, readable from three metres.
import { next } from "./later.js";
import { bar, clock, fixed, lasting, make, megahertz, put, sentence, shown, signed, together, within } from "./words.js";
import { bandNow, latest, measuring, nowS, state } from "./state.js";

const LIMITS = { key_down: "key-down time", "load-heat": "the load's heat", swr: "SWR", "plate-dissipation": "plate dissipation" };
export const KINDS = { sweep: "Sweep", soak: "Heat run", watch: "Watch", backup: "Copy of the store" };

export function plannedS(run) {
  if (run.kind === "soak") return run.soak?.key_down_s ?? null;
  return run.kind === "sweep" ? run.sweep.key_down_s : null;
}

export function draw() {
  const { run } = state;
  document.body.classList.toggle("stale", !state.linked && run !== null && !run?.ended);
  document.body.classList.toggle("past", Boolean(run?.ended));
  lost();
  if (!run) { strip("none", "No run", "", next() || "Waiting for a run to begin."); return; }
  put("who", `${run.transmitter.name} ${run.transmitter.serial}`.trim());
  put("about", `${KINDS[run.kind] || run.kind}, session ${run.session}, ${run.bench}`);
  put("clock", clock(nowS()));
  document.title = `${run.ended ? "Ended" : run.key.down ? "KEY DOWN" : "Key up"} – ${run.transmitter.name} – benchlog`;
  key(run);
  figures(run);
  others(run);
  gauges(run);
}

function lost() {
  const away = !state.linked && state.lostAt ? (performance.now() - state.lostAt) / 1000 : null;
  put("lost", away === null ? "" : "Connection lost. What you see is old. Trying again by itself.");
  const link = put("link", state.linked ? "Connected" : away === null ? "Connecting" : `Lost ${lasting(away)} ago`);
  link.dataset.link = state.linked ? "good" : away === null ? "wait" : "lost";
}

function strip(kind, word, lasts, next) {
  document.getElementById("strip").dataset.key = kind;
  put("key", word); put("keyfor", lasts); put("next", next);
}

function key(run) {
  const band = bandNow(), planned = plannedS(run), now = nowS();
  put("band", band?.band || ""); put("dial", band ? `dial ${band.dial}` : "");
  if (run.ended) { put("band", ""); put("dial", ""); strip("none", "Ended", "", [sentence(run.ended.text), next()].filter(Boolean).join(" ")); return; }
  if (!run.key.down) { strip("up", "Key up", "", coming(run, band, planned, now)); return; }
  const down = Math.max(0, now - run.key.since_s);
  const of = planned ? ` of ${fixed(planned, 0)} s` : "";
  const left = planned ? planned - down : null;
  let says = run.key.band ? `${run.key.band} recognised.` : "Finding the band.";
  if (left > 0) says += ` ${run.holds_key ? "Key goes up by itself in" : "Hold for"} ${lasting(left)}${run.holds_key ? "" : " more"}.`;
  else if (run.key.long_enough || left !== null) says = run.holds_key ? "Key is going up." : "Long enough: key up.";
  strip("down", "KEY DOWN", `${Math.floor(down)} s${of}`, [says, after(run)].filter(Boolean).join(" "));
  const whole = planned || run.longest_key_down_s;
  bar("keybar", whole ? down / whole : 0, `Key down, ${whole ? `plan ${fixed(whole, 0)} s` : "no planned time"}`);
}

function coming(run, band, planned, now) {
  const rest = run.resting && run.resting.until_s > now ? `Rest ${lasting(run.resting.until_s - now)} more` : "";
  if (run.kind === "watch") return "Watching. Nothing is asked of you.";
  if (run.awaits_band) return `Set ${run.awaits_band}, then say so: at the terminal${run.key_from_page ? " or below" : ""}.`;
  if (run.kind === "soak") {
    const done = run.key_downs.length ? ` ${run.resting?.done ?? run.key_downs.length} done.` : "";
    const ends = run.soak.bands.length === 1 ? ` Ends in ${lasting(Math.max(0, run.soak.lasts_s - now))}.` : ` ${after(run)}`;
    return `${rest ? `${rest}, then` : "Now"} key down by itself.${done}${ends}`.trim();
  }
  if (!run.wanted || !band) return rest;
  const ask = `${run.wanted.done + 1} of ${run.wanted.of}: set ${band.band}, tune, then key down ${fixed(planned, 0)} s.`;
  return rest ? `${rest}. Then ${ask}` : ask;
}

/** The band after this one. */
function after(run) {
  const now = bandNow()?.band;
  if (run.kind === "soak") {
    const following = run.soak.bands[run.soak.bands.indexOf(now) + 1];
    return following && now ? `Then ${following}.` : "";
  }
  if (run.kind !== "sweep") return "";
  const measured = new Set(run.key_downs.filter((one) => one.counts).map((one) => one.band));
  const following = run.bands.find((one) => one.band !== now && !measured.has(one.band));
  return following ? `Then ${following.band}.` : "The last band.";
}

function ageOf(one, channel) {
  if (!one) return "no reading yet";
  if (one.state !== "good") return one.reason || one.state;
  const age = nowS() - one.t_s + (state.linked || state.run.ended ? 0 : ((performance.now() - state.lostAt) / 1000) * state.run.time_factor);
  if (!channel.typed && age <= Math.max(3, 4 * (channel.every_s || 0)) * Math.max(1, state.run.time_factor / 2)) return "";
  return state.run.ended ? "" : `${lasting(age)} ago`;
}

function figures(run) {
  const power = measuring("forward-power"), counter = measuring("frequency"), band = bandNow();
  const watts = latest(power), hz = latest(counter);
  const [figure, unit] = shown(watts?.value ?? null, power?.unit || "W");
  put("power", figure); put("powerunit", unit);
  document.getElementById("power").parentElement.classList.toggle("long", figure.length > 3);
  put("powerage", power ? ageOf(watts, power) : "no such channel");
  const on = hz?.value ?? null;
  put("hz", on === null ? "–" : megahertz(on));
  put("off", on !== null && band && run.key.down ? `${signed(on - band.expected_hz)} Hz from the dial` : "");
  put("hzage", !counter ? "no such channel" : on === null ? "nothing to count" : ageOf(hz, counter));
}

const drawn = {};
/** Channels small, in a list that is made anew only where they are others. */
export function small(id, channels) {
  const list = document.getElementById(id), names = JSON.stringify([state.run.session, channels.map((one) => one.channel)]);
  if (names !== drawn[id]) {
    drawn[id] = names;
    list.replaceChildren(...channels.map((one) => make("div", {}, make("dt", { textContent: one.channel }), make("dd", {}, make("span"), make("small")))));
  }
  channels.forEach((channel, i) => {
    const one = latest(channel), [value, age] = list.children[i].lastElementChild.children;
    put(value, one ? together(one.value, channel.unit) : channel.typed ? "" : "–");
    const old = !one && channel.typed ? "not typed yet" : ageOf(one, channel);
    put(age, old ? ` ${old}` : "");
  });
}
function others(run) { small("others", run.channels.filter((one) => !["forward-power", "frequency"].includes(one.measures))); }

function gauges(run) {
  const heat = run.load_heat ?? null;
  const word = heat === null ? "no load in the bench file" : heat < 0.3 ? "cool" : heat < 0.6 ? "warm" : heat < 0.85 ? "hot" : "near its limit";
  const part = heat === null ? "–" : `${fixed(heat * 100, 0)} %`;
  put("heat", part); put("heatsays", word);
  bar("heatbar", heat, `The load's heat: ${part}, ${word}`, heat >= 0.85);
  const near = run.nearest_limit;
  let left = "–", says = "none to tell of";
  if (near) {
    const name = LIMITS[near.limit] || near.channel || near.limit;
    says = near.limit === "load-heat" ? name : `${name} ${together(near.value, near.unit)} against ${together(near.bound, near.unit)}`;
    left = near.used >= 1 ? "at its limit" : `${fixed((1 - near.used) * 100, 0)} % to go`;
  }
  put("near", left); put("nearsays", says); bar("nearbar", near?.used, `Nearest limit: ${left}, ${says}`, near?.used >= 0.9);
}

const TAKES_LONG = ["drift_hz_per_h", "run_droop_percent", "run_droop_tau_s"];
const TUNED = { "grid-current-peak": "Grid peak", "plate-current-dip": "Plate dip", "level-control-moves": "ALC moves at", "level-control": "ALC" };
const MARKS = { pass: "✓\u00a0pass", fail: "✗\u00a0fail", undecided: "?\u00a0undecided", "not-measured": "not measured" };

export function bands() {
  const { run } = state;
  const body = document.querySelector("#bands tbody");
  if (!run) { body.replaceChildren(); return; }
  const now = run.ended ? null : bandNow()?.band;
  body.replaceChildren(...run.bands.flatMap((band) => rows(run, band, band.band === now)));
  const end = document.getElementById("ended");
  end.replaceChildren();
  if (run.ended) {
    end.append(`${sentence(run.ended.text)} `);
    if (run.ended.session) end.append(make("a", { href: `/api/sessions/${run.ended.session}/record.html`, target: "_blank", rel: "noopener", textContent: "Open the record" }));
  }
  const items = [
    ...run.troubles.slice(-20).map((one) => ({ word: "Trouble", text: `${one.text}, at ${clock(one.t_s)}` })),
    ...run.alarms.slice(-20).map((one) => ({ word: "Alarm", text: `${one.text} At ${clock(one.t_s)}.` })),
    ...run.findings.map((one) => ({ word: "Finding", text: one.text })),
  ].reverse();
  const list = document.getElementById("findings");
  list.replaceChildren(...items.map((one) => make("li", {}, make("b", { textContent: `${one.word}: ` }), one.text)));
  if (!items.length) list.append(make("li", { textContent: "None so far" }));
}

/** A band's row, and below it what tuning showed, where the bench measures that. */
function rows(run, band, current) {
  const result = run.results.find((one) => one.band === band.band);
  const heard = run.key_downs.findLast((one) => one.band === band.band && one.counts);
  const cell = (name, fallback, unit, decimals, limit, sign = false) => {
    const found = result?.[name];
    const value = found?.value ?? fallback ?? null;
    if (value === null) return make("td", { textContent: "–" });
    const u = found?.expanded ? make("small", { textContent: `± ${fixed(found.expanded, decimals)}` }) : null;
    const bound = limit ? make("small", { textContent: limit }) : null;
    const td = make("td", {}, make("span"), u, u && bound ? " " : null, bound);
    td.firstChild.textContent = `${sign ? signed(value, decimals) : fixed(value, decimals)}\u00a0${unit}`;
    if (found?.verdict === "fail") td.className = "fail";
    return td;
  };
  const least = typeof result?.power_w?.value === "number" ? band.min_power_w : band.least_shown_w; // until then as the meter shows it
  const tuned = (result?.tuning ?? []).filter((one) => one.measured.value !== null)
    .map((one) => `${TUNED[one.what]} ${within(one.measured.value, one.measured.expanded, one.unit)}`);
  const tr = make("tr", {},
    make("th", { scope: "row", rowSpan: tuned.length ? 2 : 1, textContent: band.band }),
    cell("power_w", heard?.power_w, "W", 1, least ? `min ${Number(least.toPrecision(4))}` : ""),
    cell("droop_percent", heard?.droop_percent, "%", 1, band.max_droop_percent ? `max ${band.max_droop_percent}` : ""),
    cell("frequency_error_hz", heard?.frequency_error_hz, "Hz", 0, band.max_frequency_error_hz ? `max ${fixed(band.max_frequency_error_hz, 0)}` : "", true));
  // As the record judges: the worst of all that has a limit; what takes ten minutes on a band may be missing.
  const verdicts = Object.entries(result ?? {}).filter(([name, one]) => one?.verdict && typeof one.limit === "number"
    && !(one.verdict === "not-measured" && TAKES_LONG.includes(name))).map(([, one]) => one.verdict);
  const overall = ["fail", "undecided", "not-measured", "pass"].find((one) => verdicts.includes(one));
  const words = result?.power_w?.value !== null && overall ? MARKS[overall] : heard ? "being worked out" : run.ended ? MARKS["not-measured"] : "to come";
  tr.append(make("td", { textContent: words, className: overall === "fail" ? "fail" : "" }));
  if (current) tr.setAttribute("aria-current", "true");
  if (!tuned.length) return [tr];
  return [tr, make("tr", { className: "tuned" }, make("td", { colSpan: 4 }, ...tuned.map((text) => make("small", { textContent: text }))))];
}
