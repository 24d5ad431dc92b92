// The plan: sliders, the newest wish wins, map and verdict from one answer, A beside B, undo.
// @ts-check
import { Refused, ask, dataOf, draw, latestWins, one } from "./ask.js";
import { NeckMap } from "./neck_map.js";
import { linked, marked } from "./neck_views.js";
import "./under_way.js";

/**
 * @typedef {{attack: number, action: number, relief: number | null, budget: number | null, method: string}} State
 * @typedef {Record<string, any>} Answer
 */

const data = dataOf("plan-data");
const base = `${data.base}/plan`;
/** @type {Record<string, HTMLInputElement>} */
const sliders = Object.fromEntries(["attack", "action", "relief", "budget"].map((id) => [id, one(`#${id}`)]));
/** @type {Record<string, HTMLInputElement>} */
const free = { relief: one("#relief-free"), budget: one("#budget-free") };
/** @type {HTMLSelectElement} */ const method = one("#method");
/** @type {NeckMap} */ const map = one("neck-map");
const stuck = one("#stuck"), answerBox = one("#answer"), result = one(".result");
/** On no page where another role takes plans. @type {HTMLButtonElement} */ const takeIt = document.querySelector("#take-it") ?? document.createElement("button");
const range = Object.fromEntries(data.ranges.map((/** @type {any} */ r) => [r.control, r]));
const INCH = data.unit === "in";
const length = (/** @type {number} */ mm) => (INCH ? `${(mm / 25.4).toFixed(4)} in` : `${mm.toFixed(3)} mm`).replace("-", "−");

/** @type {Answer} */ let now = data.first;
/** @type {Record<string, {state: State, answer: Answer}>} */ const pins = {};
/** @type {State[]} */ let history = [];
let at = -1;
let view = "metal";

function setUp() {
  const set = (/** @type {string} */ id, /** @type {number[]} */ [low, high, step, value]) => {
    const slider = sliders[id];
    if (slider) Object.assign(slider, { min: low, max: high, step, value });
  };
  set("attack", [50, 150, 1, 100]);
  set("action", [range.action.low - range.action.wanted, range.action.high - range.action.wanted, 0.01, 0].map((x) => Number(x.toFixed(3))));
  set("relief", [0, Number(range.relief.high.toFixed(2)), 0.01, range.relief.wanted]);
  set("budget", [0, 3, 0.02, 0]);
  method.value = data.method;
}

/** @returns {State} */
function state() {
  const value = (/** @type {string} */ id) => Number(sliders[id]?.value);
  return {
    attack: value("attack"),
    action: value("action"),
    relief: free.relief?.checked ? null : value("relief"),
    budget: free.budget?.checked ? null : value("budget"),
    method: method.value,
  };
}
/** @param {State} s */
const wish = (s) => ({ method: s.method, attack_percent: s.attack, action_change_mm: s.action, relief_mm: s.relief, budget_mm: s.budget });

function label() {
  const s = state();
  const say = (/** @type {string} */ id, /** @type {string} */ text) => {
    const shown = one(`#${id}-shown`);
    if (shown.textContent !== text) shown.textContent = text;
    sliders[id]?.setAttribute("aria-valuetext", text);
    if (free[id]) sliders[id]?.closest(".slider")?.classList.toggle("free", free[id].checked);
  };
  const shift = INCH ? s.action / 25.4 : s.action;
  const digits = INCH ? 4 : 3;
  say("attack", `${s.attack} %`);
  say("action", `${(data.action[0] + shift).toFixed(digits)} to ${(data.action[1] + shift).toFixed(digits)} ${data.unit}`);
  say("relief", length(s.relief ?? range.relief.wanted));
  say("budget", s.budget === null ? now.metal : length(s.budget));
}

/** Say the lowest margin as the map does: rounded down, and under 0 where a string touches at rest. @param {Answer} answer */
const margin = (answer) => answer.margin_percent >= 0 ? `${answer.margin_percent} %` : "touches at rest";

function show() {
  stuck.toggleAttribute("hidden", now.holds);
  if (!now.holds) stuck.textContent = `This does not hold. ${now.why}`;
  const a = pins.A?.answer;
  const rows = [
    ["Metal off, all crossings added", now.metal, a?.metal],
    ["Frets worked", `${now.frets} of ${data.frets}`, a && `${a.frets}`],
    ["Lowest margin", margin(now), a && margin(a)],
    ["Lowest crown", now.lowest, a?.lowest],
    ["Relief changes by", now.relief_change, a?.relief_change],
    ["Saddle moves by", now.saddle_change, a?.saddle_change],
  ];
  answerBox.replaceChildren(...rows.map(([name, value, beside]) => {
    const box = document.createElement("div");
    const term = document.createElement("dt"), figure = document.createElement("dd");
    term.textContent = String(name);
    figure.textContent = String(value);
    box.append(term, figure);
    if (a) {
      const was = document.createElement("dd");
      was.className = "beside";
      was.textContent = `A: ${beside}`;
      box.append(was);
    }
    return box;
  }));
  paint();
  label();
  const specified = now.may_take, may = specified && now.holds !== false;
  takeIt.disabled = !may;
  one("#take-said").textContent = !specified
    ? "Action and relief are tried out here; a plan to take keeps those of the specification."
    : may || data.asks && method.value === data.method ? "" : "This leaves notes that fail. Choose a method that holds, or other targets in the specification.";
}

function paint() {
  const names = /** @type {Record<string, string>} */ ({ metal: data.preview ? "What would come off after the settings: a preview" : "What comes off", margin: "Margin after, % of the player’s attack", found: "Margin as found, % of the player’s attack", difference: "Metal of A less metal of B" });
  one("#map-head").textContent = names[view] ?? "";
  document.querySelectorAll("[data-map]").forEach((b) => b.setAttribute("aria-pressed", String(b instanceof HTMLElement && b.dataset.map === view)));
  if (view === "found") map.paint(data.found, "margin");
  else if (view === "margin") map.paint(now.cells.margin, "margin");
  else if (view === "difference" && pins.A && pins.B) map.paint(difference(pins.A.answer, pins.B.answer), "metal");
  else map.paint(now.cells.metal, "metal");
}

/** @param {Answer} a @param {Answer} b @returns {import("./neck_map.js").Cell[]} */
function difference(a, b) {
  const number = (/** @type {import("./neck_map.js").Cell} */ one) => Number((one.text[0] ?? "").replace(/[^0-9.]/g, "")) || 0;
  return a.cells.metal.map((/** @type {import("./neck_map.js").Cell} */ one, /** @type {number} */ n) => {
    const off = number(one) - number(b.cells.metal[n]);
    const text = off ? `${off > 0 ? "+" : "−"}${Math.abs(Number(off.toFixed(4)))}` : "·";
    return { ...one, text: [text], class: off ? "metal-1" : "metal-0", label: `string ${one.string}, fret ${one.column}: ${off ? `A takes ${off > 0 ? "more" : "less"} than B by ${Math.abs(Number(off.toFixed(4)))}` : "A and B take the same"}` };
  });
}

/** Times from key to drawn picture, for whoever measures. @type {number[]} */
const drawn = [];
Object.assign(window, { drawn });

/** @type {ReturnType<typeof setTimeout>} */ let later;
const look = latestWins(async (/** @type {State & {key?: number}} */ s) => {
  const begun = s.key ?? performance.now();
  const slow = setTimeout(() => result.classList.add("busy"), 300);
  try {
    now = await (await ask(`${base}/look`, wish(s))).json();
    show();
    requestAnimationFrame(() => setTimeout(() => drawn.push(performance.now() - begun)));
  } catch (error) {
    if (error instanceof Refused) { stuck.removeAttribute("hidden"); stuck.textContent = error.message; takeIt.disabled = true; }
    throw error;
  } finally {
    clearTimeout(slow);
    result.classList.remove("busy");
  }
  clearTimeout(later);
  later = setTimeout(settle, 500);
});

/** What can wait until the hand rests: the side view, where things hold, what is said aloud. */
function settle() {
  side(null);
  reach();
  one("#spoken").textContent = now.holds ? `${now.metal} off ${now.frets} ${now.frets === 1 ? "fret" : "frets"}` : stuck.textContent;
}
/** @type {HTMLElement} */ const sideView = one("#side-view");
/** @type {HTMLElement} */ const crownView = one("#crown-view");
/** What rules a note is, as a rule, the next crown; on the map of metal the picked one is meant. */
const behind = () => (view === "metal" || view === "difference" ? Math.max(map.picked.i, 1) : Math.min(map.picked.i + 1, data.frets));
function mark() {
  marked(sideView, "stop", map.picked.i, behind());
  marked(crownView, "string", map.picked.k + 1);
}
const side = latestWins(async () => {
  const string = map.picked.k + 1, fret = Math.min(map.picked.i, data.frets - 1), crown = behind();
  const drawn = async (/** @type {string} */ place, /** @type {string} */ where) => {
    const text = await (await ask(`${base}/${place}`, wish(state()))).text();
    if (text) draw(one(where), text);
  };
  await Promise.all([
    drawn(`side?string=${string}&fret=${fret}`, "#side"),
    drawn(`crown?string=${string}&fret=${crown}`, "#crown"),
  ]);
  one("#side-head").textContent = `String ${string} from the side, ${fret ? `stopped at fret ${fret}` : "open"}`;
  one("#crown-head").textContent = `The crown of fret ${crown} under string ${string}`;
  mark();
});
const reachRun = latestWins(async (/** @type {State} */ s) => {
  const told = await (await ask(`${base}/spans`, wish(s))).json();
  for (const [control, spans] of Object.entries(told)) rail(control, /** @type {any[]} */ (spans));
});
const reach = () => reachRun(state());

/** @param {string} control @param {{from: number, to: number, holds: string}[]} spans */
function rail(control, spans) {
  const slider = one(`.slider[data-control="${control}"]`);
  const r = range[control];
  const box = one(".reach", slider);
  const part = (/** @type {number} */ v) => Math.max(0, Math.min(100, ((v - r.low) / (r.high - r.low)) * 100));
  const marks = spans.filter((s) => s.holds !== "uncut").map((s) => {
    const mark = document.createElement("i");
    mark.className = s.holds === "cut" ? "cut" : "not";
    mark.style.left = `${part(s.from)}%`;
    mark.style.width = `${Math.max(1, part(s.to) - part(s.from))}%`;
    return mark;
  });
  const tick = document.createElement("b");
  tick.style.left = `${part(r.wanted)}%`;
  box.replaceChildren(...marks, tick);
  const words = /** @type {[string, Record<string, string>][]} */ ([["plain", { uncut: "holds uncut" }], ["grey", { cut: "holds with cuts" }], ["hatched", { "level frets do not": "level frets do not hold", "out of reach": "out of reach of the settings" }]]);
  const seen = new Set(spans.map((s) => s.holds));
  const said = words.map(([ink, kinds]) => [ink, Object.keys(kinds).filter((kind) => seen.has(kind)).map((kind) => kinds[kind]).join(" or ")]);
  one(`#${control}-said`).textContent = said.filter(([, kinds]) => kinds).map((part) => part.join(": ")).join("; ");
}

function remember() {
  const s = state();
  if (at >= 0 && JSON.stringify(history[at]) === JSON.stringify(s)) return;
  history = [...history.slice(0, at + 1), s];
  at = history.length - 1;
  buttons();
}
/** @type {HTMLButtonElement} */ const undo = one("#undo");
/** @type {HTMLButtonElement} */ const redo = one("#redo");
function buttons() { undo.disabled = at < 1; redo.disabled = at >= history.length - 1; }
/** @param {number} to */
function go(to) {
  const s = history[to];
  if (!s) return;
  at = to;
  const set = (/** @type {string} */ id, /** @type {number | null} */ value) => {
    const slider = sliders[id];
    if (slider && value !== null) slider.value = String(value);
    if (free[id]) free[id].checked = value === null;
  };
  set("attack", s.attack); set("action", s.action); set("relief", s.relief); set("budget", s.budget);
  method.value = s.method;
  buttons(); label(); look(s);
}
undo.addEventListener("click", () => go(at - 1));
redo.addEventListener("click", () => go(at + 1));
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
  if (event.target instanceof HTMLInputElement && event.target.type !== "range") return;
  event.preventDefault();
  go(event.shiftKey ? at + 1 : at - 1);
});

for (const [id, slider] of Object.entries(sliders)) {
  slider.addEventListener("input", (event) => {
    if (free[id]) free[id].checked = false;
    label();
    look({ ...state(), key: event.timeStamp });
  });
  slider.addEventListener("change", remember);
}
document.querySelectorAll("[data-step]").forEach((button) => button.addEventListener("click", () => {
  const slider = button.closest(".slider")?.querySelector("input[type=range]");
  if (!(slider instanceof HTMLInputElement) || !(button instanceof HTMLElement)) return;
  if (button.dataset.step === "1") slider.stepUp(); else slider.stepDown();
  slider.dispatchEvent(new Event("input"));
  remember();
}));
for (const box of [...Object.values(free), method]) box.addEventListener("change", () => { label(); look(state()); remember(); });
for (const name of ["A", "B"]) {
  const pin = one(`#pin-${name.toLowerCase()}`);
  pin.addEventListener("click", () => {
    pins[name] = { state: state(), answer: now };
    pin.setAttribute("aria-pressed", "true");
    /** @type {HTMLButtonElement} */ (one("[data-map=difference]")).disabled = !(pins.A && pins.B);
    show();
  });
}
document.querySelectorAll("[data-map]").forEach((button) => button.addEventListener("click", () => {
  view = button instanceof HTMLElement ? button.dataset.map ?? "metal" : "metal";
  paint();
  mark();
  side(null);
}));
/** @type {HTMLFormElement} */ (one("#knobs")).addEventListener("submit", (event) => event.preventDefault());
const take = document.querySelector("#take");
if (take) take.addEventListener("submit", () => {
  const s = state();
  /** @type {HTMLInputElement} */ (one("[name=method]", take)).value = s.method;
  /** @type {HTMLInputElement} */ (one("[name=attack_percent]", take)).value = String(s.attack);
  /** @type {HTMLInputElement} */ (one("[name=budget_mm]", take)).value = s.budget === null ? "" : String(s.budget);
});

setUp();
map.build({ strings: data.strings, frets: data.frets, reference: data.reference, left: data.left });
map.pick(data.weakest[0], data.weakest[1], false);
map.onpick = () => { mark(); side(null); };
linked(map, sideView, "stop");
linked(map, crownView, "string");
show();
remember();
settle();
ask(`${base}/methods`).then((answer) => answer.text()).then((html) => { one("#methods").innerHTML = html; }).catch(() => {});
