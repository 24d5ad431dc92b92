// What somebody else files into the instrument of this page: said at once, nothing is loaded unasked.
// @ts-check

const AT_REST_MS = 3000; // a page that is left at once asks for nothing

class MeanwhileFiled extends HTMLElement {
  /** @type {EventSource | null} */ source = null;
  timer = 0;

  connectedCallback() {
    document.addEventListener("visibilitychange", this.turn);
    this.turn();
  }

  disconnectedCallback() {
    document.removeEventListener("visibilitychange", this.turn);
    this.rest();
  }

  /** Only a page that is looked at watches: a browser keeps six connections to one server, for all its pages. */
  turn = () => {
    this.rest();
    if (!document.hidden && this.hidden) this.timer = window.setTimeout(() => this.watch(), AT_REST_MS);
  };

  rest() {
    window.clearTimeout(this.timer);
    this.source?.close();
  }

  watch() {
    const source = new EventSource(`${this.dataset.place}?since=${this.dataset.since}`);
    source.onmessage = (event) => { source.close(); this.show(JSON.parse(event.data)); };
    this.source = source;
  }

  /** @param {{lines: string[]}} told */
  show(told) {
    const again = document.createElement("a");
    again.href = "";
    again.textContent = "Load the page again";
    this.replaceChildren(`${told.lines.join(". ")}. `, again, ".");
    this.hidden = false;
  }
}

customElements.define("meanwhile-filed", MeanwhileFiled);
