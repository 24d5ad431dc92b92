// The map of a neck: one grid of cells, upright on a phone, with one selection.
// @ts-check

/**
 * @typedef {{string: number, column: number, class: string, text: string[], marks: string, label: string}} Cell
 * @typedef {{strings: string[], frets: number, reference: number, left: boolean}} Neck
 */

/** Legends of the two ramps: class and meaning. @type {Record<string, [string, string][]>} */
const LEGENDS = {
  margin: [["risk-0", "150 % and more"], ["risk-1", "120 to 150"], ["risk-2", "100 to 120"], ["risk-3", "80 to 100"], ["risk-4", "under 80"], ["risk-5", "touches at rest"], ["cross", "buzzes, and would over level frets"], ["tooth", "fails"], ["teeth", "fails, under 80 %"]],
  metal: [["metal-0", "nothing"], ["metal-1", "to 10 % of what may come off"], ["metal-2", "to 25 %"], ["metal-3", "to 50 %"], ["metal-4", "over 50 %"]],
};

export class NeckMap extends HTMLElement {
  /** @type {Neck} */ neck = { strings: [], frets: 0, reference: 12, left: false };
  /** @type {HTMLElement[][]} */ cells = [];
  /** @type {{k: number, i: number}} */ picked = { k: 0, i: 0 };
  /** @type {(k: number, i: number, label: string) => void} */ onpick = () => {};
  shown = "";
  longest = 0; // characters in a cell
  room = Infinity; // for so many

  /** Make the grid: columns 0 (open) to the last fret. @param {Neck} neck */
  build(neck) {
    this.neck = neck;
    const grid = document.createElement("div");
    grid.className = "map";
    grid.setAttribute("role", "grid");
    grid.setAttribute("aria-labelledby", this.getAttribute("aria-labelledby") ?? "");
    const columns = neck.frets + 1;
    grid.style.setProperty("--columns", String(columns));
    grid.style.setProperty("--rows", String(neck.strings.length));
    const place = (/** @type {number} */ i) => String(neck.left && !upright() ? columns - 1 - i : i);
    const head = row(grid);
    head.append(cell("columnheader", "corner", "", "string"));
    for (let i = 0; i < columns; i++) {
      const made = cell("columnheader", "head-column", i ? String(i) : "open");
      made.style.setProperty("--i", place(i));
      if (i === neck.reference) made.classList.add("reference");
      head.append(made);
    }
    neck.strings.forEach((pitch, k) => {
      const line = row(grid);
      const name = cell("rowheader", "head-row", "");
      name.style.setProperty("--k", String(k));
      const number = document.createElement("b");
      number.textContent = String(k + 1);
      name.append(number, " ", pitch);
      line.append(name);
      this.cells[k] = [];
      for (let i = 0; i < columns; i++) {
        const made = cell("gridcell", "cell", "");
        made.style.setProperty("--k", String(k));
        made.style.setProperty("--i", place(i));
        made.tabIndex = -1;
        made.dataset.k = String(k);
        made.dataset.i = String(i);
        this.cells[k][i] = made;
        line.append(made);
      }
    });
    this.replaceChildren(grid);
    grid.addEventListener("click", (event) => {
      const at = event.target instanceof Element ? event.target.closest(".cell") : null;
      if (at instanceof HTMLElement) this.pick(Number(at.dataset.k), Number(at.dataset.i), true);
    });
    grid.addEventListener("keydown", (event) => this.move(event));
    matchMedia("(max-width: 700px)").addEventListener("change", () => this.turn());
    new ResizeObserver(() => this.resized()).observe(grid);
    this.pick(this.picked.k, this.picked.i, false);
  }

  /** Keep the nut where it belongs when the page is turned. */
  turn() {
    const columns = this.neck.frets + 1;
    this.querySelectorAll(".head-column").forEach((made, i) => this.put(made, i, columns));
    this.cells.forEach((line) => line.forEach((made, i) => this.put(made, i, columns)));
  }

  /** @param {Element} made @param {number} i @param {number} columns */
  put(made, i, columns) {
    if (made instanceof HTMLElement) made.style.setProperty("--i", String(this.neck.left && !upright() ? columns - 1 - i : i));
  }

  /** Show cells; those that did not change are left alone. @param {Cell[]} data @param {"margin" | "metal"} ramp */
  paint(data, ramp) {
    /** @type {Map<string, Cell>} */
    const by = new Map(data.map((one) => [`${one.string - 1}:${one.column}`, one]));
    this.longest = 0;
    this.cells.forEach((line, k) => line.forEach((made, i) => {
      const one = by.get(`${k}:${i}`);
      const name = `cell ${one ? `${one.class} ${one.marks}` : ""}${i === 0 ? " nut" : ""}${k === 0 ? " first-row" : ""}`;
      if (made.className !== name) made.className = name;
      const text = one ? (ramp === "margin" ? one.text[1] ?? one.text[0] : one.text[0]) ?? "" : "";
      if (made.textContent !== text) made.textContent = text;
      this.longest = Math.max(this.longest, text.length);
      const label = one ? one.label : i ? `string ${k + 1}, fret ${i}: nothing to show` : `string ${k + 1}, open: no fret`;
      if (made.getAttribute("aria-label") !== label) made.setAttribute("aria-label", label);
    }));
    this.fit();
    if (this.shown !== ramp) this.legend(ramp);
    this.say();
  }

  /** Take down how many characters a cell has room for. */
  resized() {
    const made = this.cells[0]?.[1];
    if (made) this.room = made.clientWidth / (0.5 * parseFloat(getComputedStyle(made).fontSize));
    this.fit();
  }

  /** Stand figures on end where cells are too slim for them: half a figure would be another one. */
  fit() {
    this.querySelector(".map")?.classList.toggle("slim", this.longest > this.room);
  }

  /** @param {string} ramp */
  legend(ramp) {
    this.shown = ramp;
    this.querySelector(".legend")?.remove();
    const list = document.createElement("ul");
    list.className = "legend";
    for (const [name, said] of LEGENDS[ramp] ?? []) {
      const item = document.createElement("li");
      const key = document.createElement("i");
      key.className = name;
      item.append(key, said);
      list.append(item);
    }
    this.append(list);
  }

  /** @param {number} k @param {number} i @param {boolean} focus */
  pick(k, i, focus) {
    const before = this.cells[this.picked.k]?.[this.picked.i];
    before?.setAttribute("aria-selected", "false");
    if (before) before.tabIndex = -1;
    this.picked = { k, i };
    const now = this.cells[k]?.[i];
    if (!now) return;
    now.tabIndex = 0;
    now.setAttribute("aria-selected", "true");
    if (focus) now.focus();
    this.say();
    this.onpick(k, i, now.getAttribute("aria-label") ?? "");
  }

  /** Say of the picked note, under the map, what its cell says. */
  say() {
    const said = document.getElementById("picked");
    const label = this.cells[this.picked.k]?.[this.picked.i]?.getAttribute("aria-label") ?? "";
    if (said && said.textContent !== label) said.textContent = label;
  }

  /** Arrows go as the eye does, also upright and with the nut at the right. @param {KeyboardEvent} event */
  move(event) {
    const steps = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], Home: [0, -99], End: [0, 99] });
    let step = steps[event.key];
    if (!step) return;
    event.preventDefault();
    if (event.key.startsWith("Arrow")) {
      if (upright()) step = [step[1], step[0]];
      else if (this.neck.left) step = [step[0], -step[1]];
    }
    this.step(step, true);
  }

  /** Pick what lies so many strings and frets further. @param {[number, number]} step */
  step([k, i], focus = false) {
    const within = (/** @type {number} */ n, /** @type {number} */ most) => Math.max(0, Math.min(most, n));
    this.pick(within(this.picked.k + k, this.neck.strings.length - 1), within(this.picked.i + i, this.neck.frets), focus);
  }
}

export const upright = () => matchMedia("(max-width: 700px)").matches;

/** @param {Element} grid */
export function row(grid) {
  const made = document.createElement("div");
  made.setAttribute("role", "row");
  grid.append(made);
  return made;
}

/** @param {string} role @param {string} name @param {string} text @param {string} [label] */
export function cell(role, name, text, label) {
  const made = document.createElement("span");
  made.setAttribute("role", role);
  made.className = name;
  made.textContent = text;
  if (label) made.setAttribute("aria-label", label);
  return made;
}

customElements.define("neck-map", NeckMap);
