// Asking the program: one request under way, the newest wish next, none queued.
// @ts-check

/** @param {string} id @returns {any} What a page carries as data. */
export function dataOf(id) {
  return JSON.parse(document.getElementById(id)?.textContent ?? "null");
}

/** @template {Element} T @param {string} where @param {ParentNode} [within] @returns {T} */
export function one(where, within = document) {
  const found = within.querySelector(where);
  if (!found) throw new Error(`the page lacks ${where}`);
  return /** @type {T} */ (found);
}

/** What shows that a request comes from a page of this log-in; nothing where nobody logs in. */
const mark = /** @type {HTMLMetaElement | null} */ (document.querySelector("meta[name=csrf]"))?.content;
/** @type {Record<string, string>} */
export const MARKED = mark ? { "x-csrf": mark } : {};
/** Version of the dossier that the page shows; a filing by an older one is refused. */
const seen = /** @type {HTMLMetaElement | null} */ (document.querySelector("meta[name=seen]"))?.content;
/** @type {Record<string, string>} What every form of the page carries. */
export const SEEN = { ...(mark ? { csrf: mark } : {}), ...(seen ? { seen } : {}) };
/** @type {Record<string, string>} Of plain values that are sent, and asked for. */
export const JSON_HEADERS = { "content-type": "application/json", accept: "application/json", ...MARKED, ...(seen ? { "if-match": seen } : {}) };

/** What the program refused, as one sentence. */
export class Refused extends Error {}

/**
 * Send plain values, return the answer.
 * @param {string} place @param {unknown} [values] @returns {Promise<Response>}
 */
export async function ask(place, values) {
  /** @type {RequestInit} */
  const sending = values === undefined
    ? { headers: { accept: "application/json, text/plain" } }
    : { method: "POST", headers: JSON_HEADERS, body: JSON.stringify(values) };
  let answer;
  try {
    answer = await fetch(place, sending);
  } catch (error) {
    connected(false);
    throw error;
  }
  connected(true);
  return answered(answer);
}

/** Return an answer, or throw what it refuses. @param {Response} answer */
export async function answered(answer) {
  if (!answer.ok) throw new Refused((await answer.json()).error.sentence);
  return answer;
}

/** @param {boolean} yes Show or hide the band that says so. */
export function connected(yes) {
  const band = document.getElementById("offline");
  if (band) band.hidden = yes;
}

/**
 * Return what asks with the newest wish: while one request is under way, only the last is kept.
 * @template W
 * @param {(wish: W) => Promise<void>} work
 * @returns {(wish: W) => void}
 */
export function latestWins(work) {
  let busy = false;
  /** @type {{wish: W} | null} */
  let waiting = null;
  /** @param {W} wish */
  async function run(wish) {
    if (busy) { waiting = { wish }; return; }
    busy = true;
    try { await work(wish); } catch { /* the page has said so */ }
    busy = false;
    const next = waiting;
    waiting = null;
    if (next) run(next.wish);
  }
  return run;
}

/**
 * Put a drawing of the program into the page.
 * @param {Element} box @param {string} svg
 */
export function draw(box, svg) {
  const drawn = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  if (drawn.nodeName === "svg") box.replaceChildren(document.importNode(drawn, true));
}
