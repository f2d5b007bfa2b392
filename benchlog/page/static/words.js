// Numbers and moments as people read them.
const MINUS = "\u2212", THIN = "\u202f";

export function fixed(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

function digits(value) {
  const size = Math.abs(value);
  return fixed(value, size >= 100 ? 0 : size >= 10 ? 1 : 2);
}

/** [figure, unit] of a value in SI units. */
export function shown(value, unit) {
  if (value === null || value === undefined) return ["–", unit === "degC" ? "°C" : unit];
  if (unit === "Hz") return [megahertz(value), "MHz"];
  if (unit === "degC") return [fixed(value, 1), "°C"];
  if (unit === "A" && Math.abs(value) < 1) return [fixed(value * 1000, Math.abs(value) < 0.1 ? 1 : 0), "mA"];
  if (unit === "W") return [fixed(value, Math.abs(value) >= 10 ? 0 : 1), unit];
  return [digits(value), unit];
}

export function together(value, unit) {
  return shown(value, unit).join("\u00a0").trim();
}

/** A value with its expanded uncertainty to two digits, as the record writes it; currents below an ampere in mA. */
export function within(value, expanded, unit) {
  if (unit === "A" && Math.abs(value) < 1) return within(value * 1000, expanded === null ? null : expanded * 1000, "mA");
  const told = unit ? `\u00a0${unit}` : "";
  if (!(expanded > 0)) return `${Number(value.toPrecision(4))}${told} (U unknown)`.replace("-", MINUS);
  const decimals = Math.min(9, Math.max(0, 1 - Math.floor(Math.log10(expanded))));
  return `${fixed(value, decimals)}\u00a0±\u00a0${fixed(expanded, decimals)}${told}`;
}

export function megahertz(hz) {
  const [whole, part] = (hz / 1e6).toFixed(6).split(".");
  return `${whole}.${part.slice(0, 3)}${THIN}${part.slice(3)}`;
}

export function signed(value, decimals = 0) {
  const text = fixed(value, decimals);
  return value > 0 ? `+${text}` : text;
}

export function clock(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  const parts = [Math.floor(s / 3600), Math.floor(s / 60) % 60, s % 60];
  const padded = parts.map((part) => String(part).padStart(2, "0"));
  return parts[0] ? `${parts[0]}:${padded[1]}:${padded[2]}` : `${parts[1]}:${padded[2]}`;
}

/** As a sentence of its own. */
export function sentence(text) {
  const said = text.trim();
  return said && said[0].toUpperCase() + said.slice(1) + (/[.!?]$/.test(said) ? "" : ".");
}

/** A moment by the viewer's own clock, with its day where that is not today; and how long until then. */
export function moment(rfc3339) {
  const at = new Date(rfc3339), s = (at - Date.now()) / 1000;
  const day = at.toDateString() === new Date().toDateString() ? "" : `${at.toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" })} `;
  return `${day}${at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}${s > 0 ? `, in ${lasting(s)}` : ""}`;
}

export function lasting(seconds) {
  const s = Math.max(0, Math.round(seconds));
  return s < 120 ? `${s} s` : s < 7200 ? `${Math.round(s / 60)} min` : `${(s / 3600).toFixed(1)} h`;
}

/** Set a text only where it changes: screen readers and the layout are left in peace. */
export function put(id, text) {
  const node = typeof id === "string" ? document.getElementById(id) : id;
  if (node.textContent !== text) node.textContent = text;
  return node;
}

export function make(name, properties = {}, ...children) {
  const node = Object.assign(document.createElement(name), properties);
  node.append(...children.filter((child) => child !== null));
  return node;
}

/** Makes `items` what a list holds. What is in it already is not touched: a press on it that is under way still counts. */
export function arrange(list, items) {
  for (const old of [...list.children]) if (!items.includes(old)) old.remove();
  items.forEach((item, n) => { if (list.children[n] !== item) list.insertBefore(item, list.children[n] || null); });
}

export function bar(id, part, says, near = false) {
  const node = document.getElementById(id);
  const scale = `scaleX(${Math.min(1, Math.max(0, part || 0)).toFixed(3)})`;
  const fill = node.firstElementChild;
  if (fill.style.transform !== scale) fill.style.transform = scale;
  node.classList.toggle("near", near);
  if (node.getAttribute("aria-label") !== says) node.setAttribute("aria-label", says);
}
