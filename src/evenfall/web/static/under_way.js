// What is under way: told as it goes on, by server-sent events; stopped and begun again.
// @ts-check
import { ask, connected } from "./ask.js";

/** @typedef {{kind: string, state: string, said: string, doing: string, percent: number, ended: boolean, lines: string[], stopping: boolean, place: string}} Told */

class UnderWay extends HTMLElement {
  /** @type {EventSource | null} */ source = null;

  connectedCallback() {
    this.addEventListener("submit", (event) => this.pressed(event));
    if (this.dataset.ended === undefined) this.watch();
  }

  disconnectedCallback() { this.source?.close(); }

  watch() {
    this.source?.close();
    const source = new EventSource(`/under-way/${this.dataset.task}/events`);
    source.onmessage = (event) => { connected(true); this.show(JSON.parse(event.data)); };
    source.onerror = () => connected(false); // the browser tries again by itself
    this.source = source;
  }

  /** @param {Event} event */
  async pressed(event) {
    if (!(event.target instanceof HTMLFormElement)) return;
    event.preventDefault();
    const button = event.target.querySelector("button");
    if (button) button.disabled = true;
    try {
      const again = event.target.action.endsWith("/again");
      this.show(await (await ask(event.target.action, {})).json());
      if (again) location.reload();
    } catch { if (button) button.disabled = false; }
  }

  /** @param {Told} told */
  show(told) {
    const set = (/** @type {string} */ where, /** @type {string} */ text) => {
      const box = this.querySelector(where);
      if (box && box.textContent !== text) box.textContent = text;
    };
    set("[data-said]", told.stopping ? "being stopped" : told.said);
    set("[data-doing]", told.doing);
    const bar = this.querySelector("progress");
    if (bar) bar.value = told.percent;
    if (told.ended && this.source) {
      this.source.close();
      this.source = null;
      this.ended(told);
    }
  }

  /** @param {Told} told */
  async ended(told) {
    const into = this.dataset.into;
    if (!into) {
      if (told.place === location.pathname || told.place.startsWith("/under-way")) location.reload();
      else location.href = told.place;
      return;
    }
    const made = document.createElement("div");
    made.innerHTML = await (await ask(into)).text();
    this.replaceWith(...made.childNodes);
  }
}
customElements.define("under-way", UnderWay);
