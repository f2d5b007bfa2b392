// The picture that the stream's messages add up to; as the server keeps it, so a snapshot and a replay come to the same.
export const state = { server: null, last: 0, run: null, at: 0, linked: false, lostAt: 0 };
const UP = { down: false, since_s: null, band: null, long_enough: false };

/** Take one message; false where it was had before. */
export function take(kind, data, id) {
  const [server, number] = id.split("-");
  if (kind !== "snapshot" && server === state.server && Number(number) <= state.last) return false;
  state.server = server;
  state.last = Number(number);
  if (kind === "snapshot") state.run = data.run;
  else if (kind === "begun") state.run = { latest: {}, load_heat: null, nearest_limit: null, t_s: 0, ...data };
  else if (state.run) change(state.run, kind, data);
  if (["snapshot", "begun", "tick"].includes(kind)) state.at = performance.now();
  return true;
}

function change(run, kind, data) {
  switch (kind) {
    case "tick":
      run.latest = { ...run.latest, ...data.latest };
      Object.assign(run, { t_s: data.t_s, load_heat: data.load_heat, nearest_limit: data.nearest_limit });
      break;
    case "wanted":
      run.wanted = data;
      run.resting = data.rest_until_s > run.t_s ? { until_s: data.rest_until_s } : null;
      run.awaits_band = run.kind === "soak" ? data.band : null;
      break;
    case "resting": run.resting = data; run.awaits_band = null; break;
    case "alarm": run.alarms = [...run.alarms, data].slice(-200); break;
    case "keyed-down": run.key = { ...UP, down: true, since_s: data.t_s }; run.resting = null; break;
    case "recognised": run.key.band = data.band; break;
    case "long-enough": run.key.long_enough = true; break;
    case "keyed-up": run.key = { ...UP }; run.key_downs = [...run.key_downs, data].slice(-200); break;
    case "trouble": run.troubles = [...run.troubles, data].slice(-200); break;
    case "typed":
      run.typed = [...run.typed, data].slice(-200);
      run.latest = { ...run.latest, [data.channel]: data.latest };
      break;
    case "band-results": run.results = data.bands; run.findings = data.findings; break;
    case "ended":
      Object.assign(run, { ended: data, key: { ...UP }, resting: null, awaits_band: null, phase: "ended", nearest_limit: null });
      if (data.t_s !== null) run.t_s = data.t_s;
      break;
  }
}

/** Seconds of the session now: the newest tick's, carried on. */
export function nowS() {
  const { run } = state;
  if (!run) return 0;
  if (run.ended) return run.t_s;
  const until = state.linked ? performance.now() : Math.min(performance.now(), state.lostAt);
  return run.t_s + (Math.max(0, until - state.at) / 1000) * run.time_factor;
}

export function measuring(measure) {
  return state.run?.channels.find((one) => one.measures === measure);
}
export function latest(channel) {
  return channel ? state.run.latest[channel.channel] : undefined;
}
export function bandNow() {
  const { run } = state;
  const name = run?.key.band || run?.wanted?.band || run?.soak?.bands[0];
  return run?.bands.find((band) => band.band === name);
}
