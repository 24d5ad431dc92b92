// A gauge at the bench: what it types or sends over a serial port becomes one reading after another.
// @ts-check
import { one } from "./ask.js";

export const MM = 25.4;
const KEPT = "gauge";
const FRESH_MS = 3000;
const LONGEST = 64;
const FIGURE = /^([+\-−]?)\s*(\d{0,6})(?:[.,](\d{0,7}))?\s*(mm|in|inch|")?$/i;

/**
 * What a line of a gauge says: the figure as text, its unit where it names one, one last digit.
 * @typedef {{text: string, value: number, unit: "mm" | "in" | "", step: number}} Reading
 */

/** Read a plain line: a figure with point or comma, and perhaps a unit. @param {string} line @returns {Reading | null} */
export function reading(line) {
  const found = FIGURE.exec(line.trim());
  if (!found) return null;
  const [, sign, whole, part = "", unit = ""] = found;
  if (!whole && !part) return null;
  const text = `${sign && sign !== "+" ? "-" : ""}${whole || "0"}${part ? `.${part}` : ""}`;
  return { text, value: Number(text), unit: unit ? (unit.toLowerCase() === "mm" ? "mm" : "in") : "", step: 10 ** -part.length };
}

/** The same in another unit, as text with digits that keep its last one. @param {Reading} read @param {"mm" | "in"} from @param {"mm" | "in"} to */
export function inUnit(read, from, to) {
  if (from === to) return read.text;
  const per = from === "in" ? MM : 1 / MM;
  const digits = Math.min(6, Math.max(0, Math.ceil(-Math.log10(read.step * per))) + 1);
  return (read.value * per).toFixed(digits);
}

/** @param {string} key */
const named = (key) => (key === " " ? "Space" : key);

/**
 * The panel that connects a gauge. It tells the page "gauge-live" for every reading that arrives and
 * "gauge-take" for every one that is to be used, both with { mm, text, unit, step }.
 */
class BenchGauge extends HTMLElement {
  connectedCallback() {
    /** @type {HTMLSelectElement} */ this.unit = one("[name=gauge-unit]", this);
    /** @type {HTMLSelectElement} */ this.speed = one("[name=gauge-speed]", this);
    /** @type {HTMLSelectElement} */ this.form = one("[name=gauge-form]", this);
    /** @type {HTMLSelectElement} */ this.when = one("[name=gauge-when]", this);
    /** @type {HTMLButtonElement} */ this.link = one("[data-connect]", this);
    /** @type {HTMLButtonElement} */ this.learn = one("[data-learn]", this);
    this.said = one("[data-said]", this);
    this.last = one("[data-last]", this);
    this.learning = false;
    this.key = "";
    /** @type {any} */ this.port = null;
    /** @type {{read: Reading, at: number} | null} */ this.newest = null;
    this.finest = Infinity;
    const kept = JSON.parse(localStorage.getItem(KEPT) ?? "{}");
    for (const field of [this.unit, this.speed, this.form, this.when]) {
      const value = kept[field.name];
      if (value && [...field.options].some((option) => option.value === value)) field.value = value;
    }
    this.key = String(kept.key ?? "");
    this.show();
    const serial = "serial" in navigator;
    this.link.hidden = !serial;
    one("[data-no-serial]", this).toggleAttribute("hidden", serial);
    this.open = Boolean(kept.open);
    if (this.open) this.again();
    this.link.addEventListener("click", () => (this.port ? this.leave() : this.connect()));
    this.learn.addEventListener("click", () => { this.learning = true; this.tell("Press the key or footswitch now."); });
    this.addEventListener("change", () => { this.keep(); this.show(); });
    document.addEventListener("keydown", (event) => this.pressed(event), true);
    document.addEventListener("gauge-typed", (event) => this.seen(/** @type {CustomEvent} */ (event).detail));
  }

  keep() {
    const fields = [this.unit, this.speed, this.form, this.when];
    const values = Object.fromEntries(fields.map((/** @type {any} */ field) => [field.name, field.value]));
    localStorage.setItem(KEPT, JSON.stringify({ ...values, key: this.key, open: this.open }));
  }

  show() {
    const byKey = this.when?.value === "key";
    if (this.learn) {
      this.learn.hidden = !byKey;
      this.learn.textContent = this.key ? `Key: ${named(this.key)}. Set another` : "Set the key or footswitch";
    }
    if (this.link) this.link.textContent = this.port ? "Disconnect the gauge" : "Connect a gauge";
  }

  /** @param {string} text */
  tell(text) { if (this.said) this.said.textContent = text; }

  /** @param {KeyboardEvent} event */
  pressed(event) {
    if (this.learning) {
      event.preventDefault();
      event.stopPropagation();
      if (["Shift", "Control", "Alt", "Meta"].includes(event.key)) return;
      this.learning = false;
      if (/^[\d.,+\-]$/.test(event.key) || ["Tab", "Escape"].includes(event.key)) {
        this.tell("That key is needed for typing; set another one.");
        return;
      }
      this.key = event.key;
      this.keep();
      this.show();
      this.tell(`${named(this.key)} takes the reading.`);
      return;
    }
    if (this.when?.value !== "key" || !this.key || event.key !== this.key || event.repeat || !this.port) return;
    event.preventDefault();
    event.stopPropagation();
    if (!this.newest || performance.now() - this.newest.at > FRESH_MS) {
      this.tell("The gauge has sent nothing in the last 3 seconds; no reading was taken.");
      return;
    }
    this.give("gauge-take", this.newest.read);
  }

  /** Go on with the gauge of the page before, where the browser knows it alone. */
  async again() {
    const ports = (await /** @type {any} */ (navigator).serial?.getPorts?.()) ?? [];
    if (ports.length === 1 && !this.port) await this.connect(ports[0]);
  }

  /** Open a port: one that a person picks, or one that was open on the page before. @param {any} [known] */
  async connect(known) {
    try {
      const port = known ?? await /** @type {any} */ (navigator).serial.requestPort();
      const seven = this.form?.value === "7E1";
      await port.open({ baudRate: Number(this.speed?.value), dataBits: seven ? 7 : 8, parity: seven ? "even" : "none", stopBits: 1 });
      this.port = port;
      this.open = true;
      this.keep();
    } catch (error) {
      if (known) return;
      if (/** @type {Error} */ (error).name !== "NotFoundError") this.tell("The port could not be opened: is another program using it, and are speed and form right?");
      return;
    }
    this.show();
    this.tell("Connected. Waiting for a reading.");
    await this.listen();
  }

  async leave() {
    this.open = false;
    this.keep();
    try { await this.reader?.cancel(); } catch { /* it is gone already */ }
  }

  /** Take lines from the port until it ends or is closed. */
  async listen() {
    const words = new TextDecoder("ascii");
    let rest = "";
    let lost = "";
    try {
      this.reader = this.port.readable.getReader();
      for (;;) {
        const { value, done } = await this.reader.read();
        if (done) break;
        rest += words.decode(value, { stream: true });
        const lines = rest.split(/[\r\n\t]+/);
        rest = lines.pop() ?? "";
        if (rest.length > LONGEST) rest = "";
        lines.filter((line) => line.trim()).forEach((line) => this.line(line));
      }
    } catch {
      lost = "The gauge was lost; connect it again.";
    }
    try {
      this.reader?.releaseLock();
      await this.port.close();
    } catch { /* pulled out */ }
    this.port = null;
    this.newest = null;
    this.show();
    this.tell(lost || "Disconnected.");
  }

  /** @param {string} line */
  line(line) {
    const read = reading(line);
    if (!read) {
      this.tell(`The gauge sent “${line.trim().slice(0, 24)}”, which is not a reading; set it to send plain figures.`);
      return;
    }
    this.newest = { read, at: performance.now() };
    this.seen(read);
    this.give("gauge-live", read);
    if (this.when?.value !== "key") this.give("gauge-take", read);
  }

  /** Show a reading and what its last digit says. @param {Reading} read */
  seen(read) {
    const unit = read.unit || this.unit?.value || "mm";
    if (this.last) this.last.textContent = `${read.text} ${unit}`;
    this.finest = Math.min(this.finest ?? Infinity, unit === "in" ? read.step * MM : read.step);
    const digits = (/** @type {number} */ mm) => mm.toPrecision(1).replace(/e.*/, "");
    const step = unit === "in" ? `${read.step} in` : `${read.step} mm`;
    this.tell(`Last digit ${step}: its standard uncertainty is at least ${digits(this.finest / Math.sqrt(12))} mm, and the gauge adds its own.`);
  }

  /** @param {string} name @param {Reading} read */
  give(name, read) {
    const unit = /** @type {"mm" | "in"} */ (read.unit || this.unit?.value || "mm");
    const detail = { read, unit, mm: unit === "in" ? read.value * MM : read.value };
    document.dispatchEvent(new CustomEvent(name, { detail }));
  }
}
customElements.define("bench-gauge", BenchGauge);
