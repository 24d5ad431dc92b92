// Three views of one neck with one selection: map, side view of the picked string, its crown in section.
// @ts-check
import { NeckMap } from "./neck_map.js";

/** Steps of a key along the frets and across the strings. @typedef {Record<string, [number, number]>} Keys */
/** @type {Keys} */ const ALONG = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], Home: [0, -99], End: [0, 99] };
/** @type {Keys} */ const ACROSS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], Home: [-99, 0], End: [99, 0] };

/**
 * Let a view pick what the map picks: by pointer and touch what is nearest, by arrows what is beside it.
 * @param {NeckMap} map @param {HTMLElement} view
 * @param {"stop" | "string"} kind What of the drawing is picked: its groups carry it as data.
 */
export function linked(map, view, kind) {
  const keys = kind === "stop" ? ALONG : ACROSS;
  view.addEventListener("click", (event) => {
    if (!(event.target instanceof SVGElement)) return;
    const nearest = places(view, kind).map((one) => ({ ...one, off: Math.abs(one.x - event.clientX) })).sort((a, b) => a.off - b.off)[0];
    if (nearest && kind === "stop") map.pick(map.picked.k, nearest.at, false);
    else if (nearest) map.pick(nearest.at - 1, map.picked.i, false);
  });
  view.addEventListener("keydown", (event) => {
    const step = keys[event.key];
    if (!step || event.target !== view || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    map.step(step);
  });
}

/**
 * Mark on a drawing what is picked, and what that leads to.
 * @param {HTMLElement} view @param {"stop" | "string"} kind @param {number} picked @param {number} [next]
 */
export function marked(view, kind, picked, next = picked) {
  view.querySelectorAll(".here").forEach((one) => one.remove());
  for (const at of new Set([next, picked])) {
    const group = [...view.querySelectorAll(`svg [data-${kind}="${at}"]`)].find((one) => one instanceof SVGGraphicsElement);
    if (!(group instanceof SVGGraphicsElement)) continue;
    const box = group.getBBox(), mark = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    const set = { class: at === picked ? "here" : "here next-to", x: box.x - 3, y: box.y - 3, width: box.width + 6, height: box.height + 6, rx: 2 };
    for (const [name, value] of Object.entries(set)) mark.setAttribute(name, String(value));
    group.after(mark);
  }
}

/** @param {HTMLElement} view @param {"stop" | "string"} kind @returns {{at: number, x: number}[]} */
function places(view, kind) {
  return [...view.querySelectorAll(`svg [data-${kind}]`)].map((one) => {
    const box = one.getBoundingClientRect();
    return { at: Number(one instanceof SVGElement ? one.dataset[kind] : 0), x: box.left + box.width / 2 };
  });
}
