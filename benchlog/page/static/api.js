// Words to the server. The token comes in the address's fragment, which no browser sends, and is taken out of sight.
const found = /^#token=([^&]+)/.exec(location.hash);
if (found) {
  sessionStorage.setItem("token", decodeURIComponent(found[1]));
  history.replaceState(null, "", location.pathname);
}
export const token = sessionStorage.getItem("token");

export const NO_TOKEN = "Open the page with the address the command prints, token and all.";

// The cookie that streams and figures need where the page is on another address than this computer's own.
export const session = token ? post("/api/session").catch(() => null) : Promise.resolve(null);

export async function get(path) {
  const answer = await fetch(path, { signal: AbortSignal.timeout(5000) });
  return understood(answer);
}

/** `keepalive`: also where the page is just being closed. */
export async function post(path, body, keepalive = false) {
  const headers = token ? { Authorization: `Bearer ${token}` } : {};
  if (body) headers["Content-Type"] = "application/json";
  const signal = AbortSignal.timeout(5000);
  return understood(await fetch(path, { method: "POST", headers, body: body && JSON.stringify(body), signal, keepalive }));
}

async function understood(answer) {
  const said = await answer.json().catch(() => ({}));
  if (answer.ok) return said;
  const noToken = answer.status === 401 ? NO_TOKEN : "";
  const error = new Error([said.error || `the server answers ${answer.status}`, noToken || said.cure].filter(Boolean).join(". "));
  error.status = answer.status;
  throw error;
}

export function why(error) {
  return error.status ? error.message : "The server does not answer.";
}
