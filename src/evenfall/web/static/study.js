// The sheet of a gauge study: Enter goes on, a gauge fills in, what was typed outlives the page.
// @ts-check
import { one } from "./ask.js";
import { inUnit } from "./gauge.js";

/** @type {HTMLFormElement} */ const form = one("#study");
const unit = form.dataset.unit === "in" ? "in" : "mm";
/** @type {HTMLInputElement[]} */ const fields = [...form.querySelectorAll("input[name=value]")].map((field) => /** @type {HTMLInputElement} */ (field));
const KEPT = `study ${location.pathname}${location.search}`;
/** @type {HTMLInputElement | null} */ let last = null;

/** @type {string[]} */ const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "[]");
fields.forEach((field, n) => (field.value ||= kept[n] ?? ""));

function keep() {
  sessionStorage.setItem(KEPT, JSON.stringify(fields.map((field) => field.value)));
}

/** @param {HTMLInputElement} field */
function goOn(field) {
  const next = fields[fields.indexOf(field) + 1];
  next?.focus();
  next?.select();
}

form.addEventListener("input", keep);
form.addEventListener("focusin", (event) => {
  if (event.target instanceof HTMLInputElement && fields.includes(event.target)) last = event.target;
});
form.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !(field instanceof HTMLInputElement) || !fields.includes(field)) return;
  event.preventDefault();
  goOn(field);
});
document.addEventListener("gauge-take", (event) => {
  const field = last ?? fields.find((empty) => !empty.value.trim());
  if (!field) return;
  const { read, unit: from } = /** @type {CustomEvent} */ (event).detail;
  field.value = inUnit(read, from, unit);
  keep();
  goOn(field);
});
