// One reading brought to its target: how far, which way, and when to stop, to be read from afar.
// @ts-check
import { dataOf, one } from "./ask.js";
import { MM, inUnit, reading } from "./gauge.js";

/** @typedef {{setting: string, name: string, target: number, stop: [number, number], limits: [number, number], over: string, under: string, final: string}} Aim */

/** @type {{unit: "mm" | "in", aims: Aim[]}} */
const data = dataOf("target-data");
/** @type {HTMLSelectElement} */ const which = one("#which");
/** @type {HTMLInputElement} */ const read = one("#read");
const far = one("#far"), way = one("#way"), told = one("#told"), big = one("#big"), todo = one("#todo"), final = one("#final");
const digits = data.unit === "mm" ? 2 : 4;
const figure = (/** @type {number} */ mm) => (data.unit === "mm" ? mm : mm / MM).toFixed(digits).replace("-", "−");
const edge = 1e-9;

data.aims.forEach((aim, n) => which.append(new Option(aim.name, String(n))));

/** @returns {Aim} */
function aim() { return /** @type {Aim} */ (data.aims[Number(which.value)]); }

/** Say what holds of the aim before anything is read. */
function begin() {
  const { target, stop, limits, final: lasting } = aim();
  one("#what").textContent = aim().name;
  told.textContent = `Target ${figure(target)} ${data.unit}. Stop from ${figure(stop[0])} to ${figure(stop[1])}; limits ${figure(limits[0])} to ${figure(limits[1])}.`;
  final.textContent = lasting;
  big.className = "big";
  far.textContent = "–";
  way.textContent = "No reading yet";
  todo.textContent = "";
  read.value = "";
}

/** Show how far a reading is from the target. @param {number} mm */
function show(mm) {
  const { target, stop, limits, over, under } = aim();
  const off = mm - target;
  const there = mm >= stop[0] - edge && mm <= stop[1] + edge;
  const within = mm >= limits[0] - edge && mm <= limits[1] + edge;
  far.textContent = figure(Math.abs(off));
  const said = there ? "○ Stop: it is there" : `${data.unit} ${off > 0 ? "▼ too much" : "▲ too little"}${within ? ", within limits" : ", outside limits"}`;
  if (way.textContent !== said) way.textContent = said;
  const act = there ? "Leave it, and go on to the next." : off > 0 ? over : under;
  if (todo.textContent !== act) todo.textContent = act;
  big.className = `big ${there ? "there" : within ? "near" : "out"}`;
}

/** @param {string} text */
function typed(text) {
  const found = reading(text);
  if (!found) {
    if (text.trim()) { far.textContent = "?"; way.textContent = "That is not a reading"; todo.textContent = ""; big.className = "big"; }
    return;
  }
  const unit = found.unit || data.unit;
  if (found.unit && found.unit !== data.unit) read.value = inUnit(found, found.unit, data.unit);
  document.dispatchEvent(new CustomEvent("gauge-typed", { detail: { ...found, unit } }));
  show(unit === "in" ? found.value * MM : found.value);
}

function next() {
  which.value = String((Number(which.value) + 1) % data.aims.length);
  begin();
}

which.addEventListener("change", begin);
one("#next").addEventListener("click", () => { next(); read.focus(); });
read.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" && event.key !== "Tab") return;
  if (event.key === "Tab" && !read.value.trim()) return; // a person on the way to the next control
  event.preventDefault();
  typed(read.value);
  read.select();
});
document.addEventListener("gauge-live", (event) => {
  const { mm, read: sent, unit } = /** @type {CustomEvent} */ (event).detail;
  read.value = inUnit(sent, unit, data.unit);
  show(mm);
});
document.addEventListener("keydown", (event) => {
  if (document.activeElement === document.body && /^[\d.,+\-]$/.test(event.key) && !event.ctrlKey && !event.metaKey) { read.value = ""; read.focus(); }
});
begin();
