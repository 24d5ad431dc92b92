// A specification as form and text side by side: the text is what is kept, the form changes one value.
// @ts-check
import { Refused, ask, dataOf, latestWins, one } from "./ask.js";

/** @typedef {{said: string, path: string, line: number, severity: string}} Said */
/** @typedef {{text: string, values: Record<string, string>, whole: boolean, findings: Said[]}} Written */

/** @type {Written} */
let seen = dataOf("spec-data");
/** What is filed, from which the text may differ already. @type {string} */
const filed = dataOf("spec-data").filed;
/** @type {HTMLFormElement} */ const page = one("#spec");
/** @type {HTMLTextAreaElement} */ const text = one("#text");
/** On no page where another role files specifications. @type {HTMLButtonElement} */ const save = document.querySelector("#save") ?? document.createElement("button");
/** @type {HTMLButtonElement} */ const undo = one("#undo");
/** @type {HTMLElement} */ const form = one("#form");
const faults = one("#faults"), state = one("#state"), kept = one("#kept"), said = one("#said"), ideal = one("#ideal");
const DRAFT = `spec:${page.dataset.dossier}:${filed.length}:${filed.slice(0, 200)}`;
const fields = () => /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */ (form.querySelectorAll("[data-path]"));
/** Which tables, strings and values left out there are: with another form it is set again. @param {Written} w */
const shape = (w) => Object.entries(w.values).map(([path, value]) => path + (value ? "=" : "")).join();

/** Send one change after the other, each with the text that the one before came to. @type {Promise<void>} */
let queue = Promise.resolve();
/** @param {Record<string, unknown>} change */
function send(change) {
  queue = queue.then(async () => {
    const sent = text.value;
    try {
      /** @type {Written} */
      const got = await (await ask("/specifications/check", { text: sent, ...change })).json();
      if (text.value !== sent) { if (Object.keys(change).length) send(change); return; }
      if (got.text !== sent) text.value = got.text;
      await show(got); // a form that is still on its way must not undo what the next change shows
    } catch (error) {
      if (error instanceof Refused) note([{ said: error.message, path: "", line: 0, severity: "error" }]);
    }
  });
}

/** @param {Written} got */
async function show(got) {
  const other = shape(got) !== shape(seen) && Object.keys(got.values).length > 0;
  seen = got;
  if (other) await formAgain();
  for (const field of fields()) {
    const value = got.values[field.dataset.path ?? ""];
    if (value !== undefined && field !== document.activeElement) field.value = value;
  }
  note(got.findings);
  keep();
  if (got.whole) work(text.value);
}

async function formAgain() {
  const active = document.activeElement instanceof HTMLElement ? document.activeElement.dataset.path : "";
  const open = new Set([...form.querySelectorAll("details")].filter((box) => box.open).map((box) => box.querySelector("b")?.textContent ?? "others"));
  form.innerHTML = await (await ask("/specifications/form", { text: text.value })).text();
  form.querySelectorAll("details").forEach((box) => { box.open = open.has(box.querySelector("b")?.textContent ?? "others"); });
  if (active) /** @type {HTMLElement | null} */ (form.querySelector(`[data-path="${active}"]`))?.focus();
}

/** Say each fault at its field and beside the text. @param {Said[]} findings */
function note(findings) {
  form.querySelectorAll(".asked").forEach((box) => box.classList.remove("asked"));
  form.querySelectorAll(".fault").forEach((said) => said.remove());
  fields().forEach((field) => { field.removeAttribute("aria-invalid"); field.removeAttribute("aria-describedby"); });
  faults.replaceChildren(...findings.map((finding, n) => {
    const item = document.createElement("li");
    item.className = finding.severity;
    item.textContent = finding.said;
    if (finding.line) {
      const go = document.createElement("button");
      Object.assign(go, { type: "button", className: "button", textContent: `Line ${finding.line}` });
      go.addEventListener("click", () => toLine(finding.line));
      item.append(" ", go);
    }
    mark(finding, n);
    return item;
  }));
  const wrong = findings.filter((finding) => finding.severity === "error").length;
  const changed = text.value !== filed;
  if (wrong) said.textContent = "";
  state.textContent = wrong
    ? `${wrong} fault${wrong > 1 ? "s" : ""} to correct`
    : `${changed ? "Complete and changed" : "Complete"}${findings.length ? `; ${findings.length} worth a look` : ""}`;
  save.disabled = wrong > 0 || (!changed && page.dataset.dossier !== "");
}

/** @param {Said} finding @param {number} n */
function mark(finding, n) {
  if (!finding.path) return;
  const field = [...fields()].find((one) => one.dataset.path === finding.path || one.dataset.path?.startsWith(`${finding.path}.`));
  const box = field?.closest("[data-for]");
  if (!field || !box) return;
  box.closest("details.others")?.setAttribute("open", "");
  box.closest("details:not(.others)")?.setAttribute("open", "");
  const said = document.createElement("p");
  Object.assign(said, { className: `fault ${finding.severity}`, id: `fault-${n}`, textContent: finding.said });
  box.append(said);
  field.setAttribute("aria-describedby", said.id);
  if (finding.severity === "error") { box.classList.add("asked"); field.setAttribute("aria-invalid", "true"); }
}

/** @param {number} line */
function toLine(line) {
  const lines = text.value.split("\n");
  const start = lines.slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
  text.focus();
  text.setSelectionRange(start, start + (lines[line - 1]?.length ?? 0));
  text.scrollTop = (line - 4) * (text.scrollHeight / lines.length);
}

const work = latestWins(async (/** @type {string} */ wish) => {
  try {
    ideal.innerHTML = await (await ask("/specifications/ideal", { text: wish })).text();
    said.textContent = ideal.querySelector("strong")?.textContent ?? "";
  } catch (error) {
    if (error instanceof Refused) ideal.textContent = error.message;
    throw error;
  }
});

function keep() {
  const changed = text.value !== filed;
  undo.disabled = !changed;
  kept.textContent = changed ? "Changes are kept in this browser, not filed yet." : "";
  if (changed) localStorage.setItem(DRAFT, text.value);
  else localStorage.removeItem(DRAFT);
}

form.addEventListener("change", (event) => {
  const field = event.target;
  if (!(field instanceof HTMLInputElement || field instanceof HTMLSelectElement) || !field.dataset.path) return;
  if (seen.values[field.dataset.path] !== field.value.trim()) send({ path: field.dataset.path, value: field.value });
});
form.addEventListener("keydown", (event) => {
  if (!(event.target instanceof HTMLInputElement) || event.key !== "Enter") return;
  event.preventDefault(); // a value is taken; filing has its own button
  event.target.dispatchEvent(new Event("change", { bubbles: true }));
});
form.addEventListener("click", (event) => {
  const button = event.target instanceof HTMLElement ? event.target.closest("[data-strings]") : null;
  if (button instanceof HTMLElement) send({ strings: Number(button.dataset.strings) });
});
document.querySelectorAll("[data-unit]").forEach((button) => button.addEventListener("click", () => {
  if (button instanceof HTMLElement) send({ unit: button.dataset.unit });
}));
/** @type {ReturnType<typeof setTimeout>} */ let soon;
text.addEventListener("input", () => {
  keep();
  clearTimeout(soon);
  soon = setTimeout(() => send({}), 300);
});
undo.addEventListener("click", () => { text.value = filed; send({}); });
page.addEventListener("submit", (event) => {
  if (save.disabled) { event.preventDefault(); return; }
  localStorage.removeItem(DRAFT);
  setTimeout(() => { save.disabled = true; }); // one filing for two clicks
});
addEventListener("pageshow", (event) => { if (event.persisted) note(seen.findings); });

const draft = localStorage.getItem(DRAFT);
for (const field of fields()) { // typed before this ran
  const path = field.dataset.path ?? "", value = field.value.trim();
  const typed = field instanceof HTMLInputElement && field !== document.activeElement;
  if (typed && value !== (seen.values[path] ?? "")) send({ path, value });
}
if (draft && draft !== filed) { text.value = draft; send({}); } else { queue = queue.then(() => show(seen)); }
