// The bench sheet: ticks and written readings stay in this browser, by the code of the plan.
// @ts-check

class BenchSteps extends HTMLElement {
  connectedCallback() {
    const key = `bench:${this.dataset.code}`;
    const fields = /** @type {HTMLInputElement[]} */ ([...this.querySelectorAll("[data-tick], [data-write]")]);
    /** @type {(string | boolean)[]} */
    const kept = JSON.parse(localStorage.getItem(key) ?? "[]");
    fields.forEach((field, n) => {
      const value = kept[n];
      const touched = field.type === "checkbox" ? field.checked : field.value !== "";
      if (touched) return; // before this ran
      if (typeof value === "boolean") field.checked = value;
      else if (typeof value === "string") field.value = value;
    });
    const keep = () => {
      const values = fields.map((field) => (field.type === "checkbox" ? field.checked : field.value));
      localStorage.setItem(key, JSON.stringify(values));
    };
    keep();
    this.addEventListener("input", keep);
  }
}
customElements.define("bench-steps", BenchSteps);
