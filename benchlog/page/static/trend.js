// The last minutes and the whole run, from the server's buckets: as many points at the end of a night as at its start.
import { get } from "./api.js";
import { nowS, state } from "./state.js";
import { clock, put, together } from "./words.js";

const RECENT_S = 180, POINTS = 300;
const choice = document.getElementById("trendof");
let plotly = null, listed = null, running = false, again = false, wholeAt = -Infinity;

/** plotly.js is large: it comes once the page is there. */
export function load() {
  const script = document.createElement("script");
  script.src = "/plotly.js";
  script.onload = () => { plotly = window.Plotly; refresh(true); };
  script.onerror = () => put("recentsays", "The trend cannot be drawn: plotly.js did not come.");
  document.head.append(script);
  choice.addEventListener("change", () => refresh(true));
  setInterval(() => refresh(false), 2000);
  new ResizeObserver(() => plotly && refresh(true)).observe(document.getElementById("recent"));
}

export async function refresh(all) {
  const { run } = state;
  if (run && listed !== run.session) {
    listed = run.session;
    choice.replaceChildren(...run.channels.map((one) => new Option(one.channel, one.channel)));
    const power = run.channels.find((one) => one.measures === "forward-power");
    if (power) choice.value = power.channel;
    all = true;
  }
  if (!plotly || !run || !state.linked || document.hidden || document.body.dataset.view !== "now") return;
  if (run.ended && !all) return;
  if (running) { again ||= all; return; }
  running = true;
  try {
    const now = nowS();
    await one("recent", "Last three minutes", Math.max(0, now - RECENT_S), now);
    if (all || performance.now() - wholeAt > 10000) { await one("whole", "Whole run", 0, now); wholeAt = performance.now(); }
  } catch { /* the connection says so itself */ } finally { running = false; }
  if (again) { again = false; refresh(true); }
}

// From the lowest to the highest, a closed shape for each stretch without a gap: a filling of the drawing's own reaches across.
function between(times, lows, highs) {
  const x = [], y = [];
  for (let from = 0; from < times.length; from += 1) {
    if (lows[from] === null) continue;
    let to = from;
    while (to + 1 < times.length && lows[to + 1] !== null) to += 1;
    const there = times.slice(from, to + 1);
    x.push(...there, ...there.toReversed(), null);
    y.push(...lows.slice(from, to + 1), ...highs.slice(from, to + 1).toReversed(), null);
    from = to;
  }
  return { x, y };
}

async function one(id, title, from, to) {
  const channel = choice.value;
  const found = await get(`/api/series?channel=${encodeURIComponent(channel)}&from_s=${from}&to_s=${to}&points=${POINTS}`);
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(`--${name}`).trim();
  const unit = found.unit;
  const lows = found.low.filter((v) => v !== null), highs = found.high.filter((v) => v !== null);
  const factor = unit === "Hz" ? 1e-6 : unit === "A" && Math.max(0, ...highs) < 1 ? 1e3 : 1; // as the figures are shown
  const scaled = (values) => values.map((value) => (value === null ? null : value * factor));
  const line = { type: "scatter", mode: "lines", hoverinfo: "skip", connectgaps: false };
  const data = [
    { ...line, ...between(found.t_s, scaled(found.low), scaled(found.high)), line: { width: 0 }, fill: "toself", fillcolor: colour("rule") },
    { ...line, x: found.t_s, y: scaled(found.mean), line: { width: 2, color: colour("data") } },
  ];
  const step = [10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21600, 86400].find((s) => (to - from) / s <= 5) || 86400 * 7;
  const ticks = [];
  for (let t = Math.ceil(from / step) * step; t <= to; t += step) ticks.push(t);
  const axis = { color: colour("muted"), gridcolor: colour("rule"), zeroline: false };
  const layout = {
    margin: { l: 52, r: 8, t: 8, b: 24 }, showlegend: false, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { size: 12, color: colour("muted") }, height: 150,
    xaxis: { ...axis, range: [from, Math.max(to, from + 10)], tickvals: ticks, ticktext: ticks.map(clock), showgrid: false },
    yaxis: { ...axis, nticks: 4, rangemode: unit === "W" ? "tozero" : "normal", tickformat: unit === "Hz" ? ".4f" : "" },
    shapes: state.run.key_downs.filter((k) => k.to_s > from).map((k) => ({ type: "rect", xref: "x", yref: "paper", layer: "below",
      x0: k.from_s, x1: k.to_s, y0: 0, y1: 1, fillcolor: colour("soft"), line: { width: 0 } })),
  };
  const node = document.getElementById(id);
  layout.width = node.clientWidth;
  if (!layout.width) return; // another view came meanwhile; when this one is back it is drawn anew
  await plotly.react(node, data, layout, { staticPlot: true, displayModeBar: false });
  node.dataset.points = String(found.t_s.length);
  const span = lows.length ? `${together(Math.min(...lows), unit)} to ${together(Math.max(...highs), unit)}` : "nothing measured";
  put(`${id}says`, `${title}: ${span}${id === "whole" ? ". Shaded: key down" : ""}.`);
}
