const shown = document.getElementById("stream");
const stream = new EventSource("/api/stream");
for (const kind of ["snapshot", "begun", "tick", "wanted", "resting", "keyed-down", "recognised", "long-enough",
                    "keyed-up", "trouble", "typed", "band-results", "alarm", "ended"]) {
  stream.addEventListener(kind, (event) => { shown.textContent = `${kind}\n${event.data}`; });
}
