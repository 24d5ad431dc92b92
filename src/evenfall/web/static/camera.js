// Instruments: a label, bench sheet or certificate held before the camera opens its instrument.
// Only where the browser itself reads codes; elsewhere the number is typed.
// @ts-check
import { one } from "./ask.js";

const PAGE = /\/instruments\/([0-9a-f]{32})/;
const CODE = /^evenfall:(\w+):(\w+)$/;
const EVERY_MS = 150;

/** @typedef {{ detect: (seen: HTMLVideoElement) => Promise<{ rawValue: string }[]> }} Detector */

/** @param {string} text What a code says. @returns {string} The page that it leads to. */
function placeOf(text) {
  const page = PAGE.exec(text);
  if (page) return `/instruments/${page[1]}`;
  const code = CODE.exec(text.trim());
  if (code?.[1] === "dossier") return `/instruments/${code[2]?.toLowerCase()}`;
  return `/instruments?${new URLSearchParams({ words: (code?.[2] ?? text).slice(0, 200) })}`;
}

const button = document.getElementById("read-label");
const { BarcodeDetector } = /** @type {{ BarcodeDetector?: new () => Detector }} */ (/** @type {unknown} */ (window));
if (button && BarcodeDetector && navigator.mediaDevices) {
  const box = /** @type {HTMLDialogElement} */ (one("#camera"));
  const video = /** @type {HTMLVideoElement} */ (one("#seen"));
  const said = one("#camera-said");
  button.hidden = false;

  const stop = () => {
    const stream = video.srcObject;
    video.srcObject = null;
    if (stream instanceof MediaStream) stream.getTracks().forEach((track) => track.stop());
  };
  const look = async (/** @type {Detector} */ detector) => {
    if (!box.open) return;
    const found = video.readyState > 1 ? await detector.detect(video).catch(() => []) : [];
    const text = found.find((seen) => seen.rawValue)?.rawValue;
    if (text) { box.close(); location.href = placeOf(text); return; }
    setTimeout(() => look(detector), EVERY_MS);
  };
  button.addEventListener("click", async () => {
    said.textContent = "";
    box.showModal();
    try {
      const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      if (!box.open) { stream.getTracks().forEach((track) => track.stop()); return; }
      video.srcObject = stream;
      await video.play();
      look(new BarcodeDetector());
    } catch {
      said.textContent = "The camera cannot be used: allow it in the browser, or type the number.";
    }
  });
  one("#camera-close").addEventListener("click", () => box.close());
  box.addEventListener("close", stop);
}
