// The sheet in the shape of the neck: typed by keyboard alone, checked as it grows, kept here.
// @ts-check
import { JSON_HEADERS, Refused, SEEN, answered, ask, dataOf, latestWins, one } from "./ask.js";
import { MM, inUnit, reading } from "./gauge.js";
import { cell } from "./neck_map.js";
import { insist } from "./sending.js";

/** @typedef {{code: string, severity: string, said: string, keys: string[]}} Asked */

const data = dataOf("sheet-data");
const DRAFT = `sheet:${data.draft}${data.again.length ? ":again" : ""}`;
/** @type {HTMLInputElement} */ const gauge = one("#gauge");
/** @type {HTMLSelectElement} */ const unit = one("#unit");
/** @type {HTMLSelectElement} */ const strung = one("#strung");
/** @type {HTMLInputElement} */ const air = one("#air");
/** @type {HTMLButtonElement} */ const file = one("#file");
const kept = one("#kept"), questions = one("#questions"), other = one("#other");
const narrow = matchMedia("(max-width: 1100px)");
const upright = () => data.frets > 26 || narrow.matches;

class TypedSheet extends HTMLElement {
  connectedCallback() {
    const grid = document.createElement("div");
    grid.className = "map typing";
    const stand = () => grid.classList.toggle("upright", upright());
    stand();
    narrow.addEventListener("change", stand);
    addEventListener("beforeprint", () => grid.classList.add("upright")); // not every browser asks again for paper
    addEventListener("afterprint", stand);
    grid.setAttribute("role", "group");
    grid.setAttribute("aria-label", "Readings of the neck, string by string");
    const columns = data.frets + 2;
    grid.style.setProperty("--columns", String(columns));
    grid.style.setProperty("--rows", String(data.strings.length));
    const place = (/** @type {number} */ i) => String(data.left && !upright() ? columns - 1 - i : i);
    for (let i = 0; i < columns; i++) {
      const made = cell("presentation", "head-column", i === 0 ? "slot" : i > data.frets ? "saddle" : String(i));
      made.style.setProperty("--i", place(i));
      if (i === data.reference) made.classList.add("reference");
      grid.append(made);
    }
    data.strings.forEach((/** @type {{number: number, pitch: string}} */ string, /** @type {number} */ k) => {
      const name = cell("presentation", "head-row", "");
      name.style.setProperty("--k", String(k));
      const number = document.createElement("b");
      number.textContent = String(string.number);
      name.append(number, " ", string.pitch);
      grid.append(name);
    });
    for (const [quantity, string, fret, key] of data.neck) {
      const i = quantity === "nut_slot" ? 0 : quantity === "saddle" ? data.frets + 1 : Number(fret);
      const k = data.strings.findIndex((/** @type {{number: number}} */ s) => s.number === string);
      const box = cell("presentation", `cell type${i === 0 ? " nut" : ""}${k === 0 ? " first-row" : ""}`, "");
      box.style.setProperty("--k", String(k));
      box.style.setProperty("--i", place(i));
      const field = document.createElement("input");
      field.inputMode = "decimal";
      field.autocomplete = "off";
      field.dataset.key = key;
      field.maxLength = 24;
      field.setAttribute("aria-label", `String ${string}, ${i === 0 ? "nut slot" : i > data.frets ? "saddle" : `fret ${i}`}`);
      box.append(field);
      grid.append(box);
    }
    this.append(grid);
  }
}
customElements.define("typed-sheet", TypedSheet);

const fields = /** @type {HTMLInputElement[]} */ ([...document.querySelectorAll("[data-key]")]);
const by = new Map(fields.map((field) => [field.dataset.key ?? "", field]));

/** @type {Record<string, string>} */
const NAMES = { action: "Gap of the open string", relief: "Gap under a straightedge", crown_height: "Crown height" };
/** What is to be read again, with a gauge of its own. @type {string[]} */
const asked_again = data.again.map((/** @type {unknown[]} */ place) => String(place[3]));
const finer = document.querySelector("#finer");
/** @type {HTMLInputElement} */ const hand = one("#hand-gauge");
const byHand = (/** @type {string} */ key) => /^(action|relief|crown_height):/.test(key);

/** Make a field for a reading that is asked for besides the sheet. @param {string} key */
function again(key) {
  if (by.has(key)) return;
  const [quantity, string, fret] = key.split(":");
  const box = document.createElement("div");
  box.className = "field";
  const label = document.createElement("label");
  label.htmlFor = key;
  label.textContent = `${NAMES[quantity ?? ""] ?? "Crown again"}${string ? `, string ${string}` : ""}, fret ${fret}`;
  const field = document.createElement("input");
  Object.assign(field, { id: key, inputMode: "decimal", autocomplete: "off", size: 8, maxLength: 24 });
  field.dataset.key = key;
  box.append(label, field);
  one("#again").append(box);
  fields.push(field);
  by.set(key, field);
}

/** What is asked of a field. @type {Map<string, string[]>} */
const asks = new Map();

function values() {
  return Object.fromEntries(fields.filter((field) => field.value.trim()).map((field) => [field.dataset.key ?? "", field.value.trim()]));
}
/** What was read with another gauge. @type {Record<string, string>} */
let kept_finer = {};
function sheet() {
  const sure = finer instanceof HTMLInputElement ? finer.value.trim() : "";
  const own = Object.fromEntries(asked_again.filter(() => sure).map((key) => [key, sure]));
  const all = values(), coarse = hand.value.trim();
  const gaps = Object.fromEntries(Object.keys(all).filter((key) => coarse && byHand(key)).map((key) => [key, coarse]));
  return { values: all, unit: unit.value, uncertainty: gauge.value.trim(), strung: strung.value === "1", air: air.value.trim(), finer: { ...gaps, ...kept_finer, ...own } };
}

function keep() {
  localStorage.setItem(DRAFT, JSON.stringify(sheet()));
  const count = Object.keys(values()).length;
  kept.textContent = count ? `${count} reading${count === 1 ? "" : "s"} kept in this browser, not filed yet` : "";
}

function restore() {
  if (Object.keys(values()).length) return; // typed before this ran
  const kept = JSON.parse(localStorage.getItem(DRAFT) ?? "null");
  const draft = kept && Object.keys(kept.values).length ? kept : data.before ?? kept;
  if (!draft) return;
  for (const [key, value] of Object.entries(draft.values)) {
    if (draft !== kept && asked_again.includes(key)) continue; // filed before, to be read again
    again(key);
    const field = by.get(key);
    if (field) field.value = String(value);
  }
  kept_finer = { ...draft.finer };
  hand.value = Object.entries(kept_finer).find(([key]) => byHand(key))?.[1] ?? "";
  for (const key of Object.keys(kept_finer)) if (byHand(key) && kept_finer[key] === hand.value) delete kept_finer[key];
  gauge.value = draft.uncertainty;
  unit.value = draft.unit;
  strung.value = draft.strung ? "1" : "";
  air.value = draft.air ?? "";
  if (draft === kept) keep(); // what was filed last is no draft before something of it is changed
}

/** @param {Asked[]} findings @param {string[]} lacking @param {boolean} complete @param {string[]} [wanted] */
function show(findings, lacking, complete, wanted = []) {
  document.querySelectorAll(".asked").forEach((box) => box.classList.remove("asked"));
  document.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
  questions.replaceChildren();
  asks.clear();
  for (const asked of findings) {
    for (const key of asked.keys) {
      by.get(key)?.parentElement?.classList.add("asked");
      by.get(key)?.setAttribute("aria-invalid", "true");
      asks.set(key, [...(asks.get(key) ?? []), asked.said]);
    }
    questions.append(question(asked));
  }
  if (document.activeElement instanceof HTMLInputElement && document.activeElement.dataset.key) both(document.activeElement);
  const more = complete ? wanted : findings.length ? [] : lacking;
  if (more.length) {
    const said = document.createElement("p");
    said.className = "quiet";
    said.textContent = `${complete ? "Still worth reading, so that a slip would show." : "Still to read."} ${more.join(" ")}`;
    questions.append(said);
  }
  file.disabled = !complete || asked_again.some((key) => !by.get(key)?.value.trim());
}

/** @param {Asked} asked */
function question(asked) {
  const box = document.createElement("div");
  box.className = "ask";
  const said = document.createElement("p");
  said.textContent = asked.said;
  box.append(said);
  const first = asked.keys[0];
  if (first) {
    const go = document.createElement("button");
    go.type = "button";
    go.className = "button";
    go.textContent = "Go there";
    go.addEventListener("click", () => by.get(first)?.focus());
    box.append(go);
  }
  return box;
}

const checkNow = latestWins(async () => {
  if (!Object.keys(values()).length) { show([], [], false); return; }
  try {
    const answer = await (await ask(`${data.base}/measure/check`, sheet())).json();
    for (const wanted of answer.wanted) again(wanted.key);
    show(answer.findings, answer.lacking, answer.complete, answer.wanted.map((/** @type {{said: string}} */ w) => w.said));
  } catch (error) {
    if (error instanceof Refused) show([{ code: "", severity: "error", said: error.message, keys: [] }], [], false);
    throw error;
  }
});

/** @type {ReturnType<typeof setTimeout>} */ let soon;
/** Check when the hand rests for a moment. */
function check() {
  clearTimeout(soon);
  soon = setTimeout(() => checkNow(null), 150);
}

/** Both units of what stands in a field. @param {HTMLInputElement} field */
function both(field) {
  const number = Number(field.value.trim().replace(",", "."));
  const name = field.getAttribute("aria-label") ?? field.labels?.[0]?.textContent ?? "";
  const asked = (asks.get(field.dataset.key ?? "") ?? []).join(" ");
  other.classList.toggle("ask", asked !== "");
  const [mm, inch] = unit.value === "mm" ? [number, number / MM] : [number * MM, number];
  const read = field.value.trim() && Number.isFinite(number) ? `${name}: ${mm.toFixed(3)} mm, ${inch.toFixed(4)} in`.replace(/-(?=\d)/g, "−") : "";
  other.textContent = [read, asked].filter(Boolean).join(". ");
}

document.addEventListener("input", (event) => {
  const field = event.target;
  if (field === gauge || field === hand || field === unit || field === strung || field === air || field === finer) { keep(); check(); }
  if (field instanceof HTMLInputElement && field.dataset.key) { keep(); both(field); }
});
document.addEventListener("change", (event) => {
  if (!(event.target instanceof HTMLInputElement) || !event.target.dataset.key) return;
  settle(event.target);
  check();
});

/** Take off the unit that a gauge typed behind its figure, in the unit of the sheet. @param {HTMLInputElement} field */
function settle(field) {
  const read = reading(field.value);
  if (!read) return;
  if (read.unit) field.value = inUnit(read, read.unit, sheetUnit());
  document.dispatchEvent(new CustomEvent("gauge-typed", { detail: { ...read, unit: read.unit || sheetUnit() } }));
  keep();
}
const sheetUnit = () => (unit.value === "in" ? "in" : "mm");

/** Where the next reading goes: the field last in use, else the first that is empty. @type {HTMLInputElement | null} */
let last = null;
const current = () => last ?? fields.find((field) => !field.value.trim()) ?? null;
document.addEventListener("gauge-take", (event) => {
  const field = current();
  if (!field) return;
  const { read, unit: from } = /** @type {CustomEvent} */ (event).detail;
  field.value = inUnit(read, from, sheetUnit());
  field.dispatchEvent(new Event("input", { bubbles: true }));
  check();
  const next = fields[fields.indexOf(field) + 1];
  next?.focus();
  next?.select();
});
// a gauge that types while no field has the cursor goes on where the last one was
document.addEventListener("keydown", (event) => {
  if (document.activeElement === document.body && /^[\d.,+\-]$/.test(event.key) && !event.ctrlKey && !event.metaKey) current()?.focus();
});
document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (!(field instanceof HTMLInputElement) || !field.dataset.key) return;
  const at = fields.indexOf(field);
  const along = data.frets + 2;
  const steps = /** @type {Record<string, number>} */ ({ Enter: event.shiftKey ? -1 : 1, ArrowDown: upright() ? 1 : along, ArrowUp: upright() ? -1 : -along });
  const step = steps[event.key];
  if (step === undefined) return;
  event.preventDefault();
  const next = fields[at + step];
  next?.focus();
  next?.select();
});
document.addEventListener("focusin", (event) => {
  if (!(event.target instanceof HTMLInputElement) || !event.target.dataset.key) return;
  last = event.target;
  both(event.target);
});

/** Somebody filed since this page was made: go to the page that shows both, and what to do. */
function besideTheirs() {
  const form = document.createElement("form");
  Object.assign(form, { method: "post", action: `${data.base}/measure/typed`, hidden: true });
  for (const [name, value] of Object.entries({ sheet: JSON.stringify(sheet()), ...SEEN })) {
    const field = document.createElement("input");
    Object.assign(field, { type: "hidden", name, value });
    form.append(field);
  }
  document.body.append(form);
  form.submit();
}

file.addEventListener("click", async () => {
  file.disabled = true;
  const filing = () => fetch(`${data.base}/measure/file`, { method: "POST", headers: JSON_HEADERS, body: JSON.stringify(sheet()) })
    .catch((error) => {
      kept.textContent = "Not sent yet: no connection. The readings are kept in this browser, and will be sent when it is back.";
      throw error;
    });
  try {
    const got = await insist(filing);
    if (got.status === 412) { besideTheirs(); return; }
    const answer = await (await answered(got)).json();
    localStorage.removeItem(DRAFT);
    location.href = answer.to;
  } catch (error) {
    file.disabled = false;
    if (error instanceof Refused) show([{ code: "", severity: "error", said: error.message, keys: [] }], [], false);
    else throw error;
  }
});
one("#clear").addEventListener("click", () => {
  if (!Object.keys(values()).length || !confirm("Empty the sheet? The readings typed so far are lost.")) return;
  fields.forEach((field) => { field.value = ""; });
  localStorage.removeItem(DRAFT);
  keep();
  show([], [], false);
});
addEventListener("storage", (event) => {
  if (event.key !== DRAFT) return;
  if (event.newValue === null) { // filed or emptied in another tab
    file.disabled = true;
    kept.textContent = "These readings were filed or emptied in another tab; load this page again.";
    return;
  }
  for (const [key, value] of Object.entries(JSON.parse(event.newValue).values)) {
    again(key);
    const field = by.get(key);
    if (field && field !== document.activeElement) field.value = String(value);
  }
  check();
});
for (const key of asked_again) {
  again(key);
  by.get(key)?.parentElement?.classList.add("again");
}
restore();
check();
