// The connection. The browser reopens it by itself, from the last message it had; where it gives up, we do it for it.
import { get, session } from "./api.js";

const KINDS = ["snapshot", "begun", "tick", "wanted", "resting", "keyed-down", "recognised", "long-enough", "keyed-up",
  "trouble", "typed", "band-results", "alarm", "ended"];
const QUIET_MS = 4000; // so long without a message, and the server is asked whether it is there
const AGAIN_MS = 2000;

export async function follow(told, link) {
  let source, heard = performance.now(), asking = false, last = "";
  await session;
  function open() {
    source?.close();
    source = new EventSource(last ? `/api/stream?after=${encodeURIComponent(last)}` : "/api/stream");
    source.onopen = () => { heard = performance.now(); link(true); };
    source.onerror = () => {
      link(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(open, AGAIN_MS);
    };
    for (const kind of KINDS) {
      source.addEventListener(kind, (event) => {
        heard = performance.now();
        last = event.lastEventId;
        link(true);
        told(kind, JSON.parse(event.data), event.lastEventId);
      });
    }
  }
  open();
  addEventListener("offline", () => { heard = -Infinity; }); // asked at once: this computer's own page may well be there
  setInterval(async () => {
    if (asking || source.readyState !== EventSource.OPEN || performance.now() - heard < QUIET_MS) return;
    asking = true;
    try { await get("/api/status"); heard = performance.now(); }
    catch { link(false); open(); }
    finally { asking = false; }
  }, 1000);
}
