// One instrument: its map as found, and what the findings point at.
// @ts-check
import { dataOf } from "./ask.js";
import { NeckMap } from "./neck_map.js";

const map = document.querySelector("neck-map");
const cells = dataOf("cells");
if (map instanceof NeckMap && cells) {
  const told = map.dataset;
  map.build({
    strings: JSON.parse(told.strings ?? "[]"),
    frets: Number(told.frets),
    reference: Number(told.reference),
    left: told.left === "1",
  });
  map.paint(cells, "margin");
  const [k, i] = (told.weakest ?? "0:0").split(":").map(Number);
  map.pick(k ?? 0, i ?? 0, false);
  document.querySelectorAll("[data-note]").forEach((link) => link.addEventListener("click", () => {
    const [string, fret] = (link instanceof HTMLElement ? link.dataset.note ?? "" : "").split(":").map(Number);
    map.pick((string ?? 1) - 1, fret ?? 0, true);
  }));
}
