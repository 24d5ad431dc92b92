// Every page: the list as somebody types, neck strips, an upload with its progress.
// @ts-check
import { ask, connected, draw, latestWins } from "./ask.js";
import { insist, send } from "./sending.js";
import "./together.js";

const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (!entry.isIntersecting || !(entry.target instanceof HTMLElement)) continue;
    const box = entry.target;
    seen.unobserve(box);
    ask(`/instruments/${box.dataset.strip}/line`).then((answer) => answer.json()).then((line) => {
      draw(box, line.strip);
      const next = box.parentElement?.querySelector("[data-next]");
      if (next) next.textContent = line.next;
    }).catch(() => {});
  }
});
const strips = () => document.querySelectorAll("[data-strip]").forEach((box) => seen.observe(box));
strips();

for (const box of document.querySelectorAll(".picture")) {
  const larger = document.createElement("button");
  larger.type = "button";
  larger.className = "button larger";
  const say = () => { larger.textContent = box.classList.contains("whole") ? "Whole picture" : "Larger, to move about"; };
  larger.addEventListener("click", () => { box.classList.toggle("whole"); say(); });
  say();
  box.append(larger);
}

const TWICE_MS = 3000;
document.addEventListener("submit", (event) => {
  const form = event.target; // a double click files once
  if (!(form instanceof HTMLFormElement) || form.method !== "post" || event.defaultPrevented) return;
  const before = Number(form.dataset.sent ?? 0);
  if (event.timeStamp - before < TWICE_MS && before) event.preventDefault();
  else form.dataset.sent = String(event.timeStamp);
});
addEventListener("pageshow", (event) => {
  const [came] = /** @type {PerformanceNavigationTiming[]} */ (
    performance.getEntriesByType("navigation")
  );
  const kept = came?.type === "back_forward" && came.transferSize === 0; // not asked for again
  // back: what stands now, not what stood then; what answers a form would be sent a second time
  if ((event.persisted || kept) && !("sent" in document.documentElement.dataset)) location.reload();
});

/** Say over a form why it was refused; what was typed into it stays. @param {HTMLFormElement} form @param {Document} told */
function refuse(form, told) {
  document.querySelector("[data-refused]")?.remove();
  const refused = told.querySelector(".stop");
  if (!(refused instanceof HTMLElement)) return;
  refused.dataset.refused = "";
  refused.tabIndex = -1;
  form.before(refused);
  refused.focus();
  form.querySelectorAll("[data-said]").forEach((one) => { one.textContent = ""; });
  form.querySelectorAll("progress").forEach((one) => { one.hidden = true; });
}

const words = document.getElementById("words");
const found = document.getElementById("found");
if (words instanceof HTMLInputElement && found) {
  const find = latestWins(async (/** @type {string} */ wish) => {
    const place = `/instruments?${new URLSearchParams({ words: wish })}`;
    const answer = await ask(`${place}&part=1`);
    found.innerHTML = await answer.text();
    history.replaceState(null, "", place);
    strips();
  });
  words.addEventListener("input", () => find(words.value));
}

const upload = document.getElementById("upload");
if (upload instanceof HTMLFormElement) {
  upload.addEventListener("submit", async (event) => {
    const chosen = /** @type {HTMLInputElement} */ (upload.querySelector("[type=file]")).files;
    if (!chosen?.length && upload.dataset.again !== undefined) return; // the files of before are taken
    event.preventDefault();
    const said = upload.querySelector("[data-said]"), button = upload.querySelector("button");
    const files = [...(chosen ?? [])];
    if (button) button.disabled = true;
    try {
      const bar = upload.querySelector("progress");
      const task = await send(files, (share) => {
        if (bar) { bar.hidden = false; bar.max = 1; bar.value = share; }
        if (said) said.textContent = share < 1 ? "" : "Being read …";
      });
      const form = new FormData(upload);
      form.delete("file");
      form.set("task", task);
      const answer = await insist(() => fetch(upload.action, { method: "POST", body: form, headers: { accept: "text/html" } }));
      if (answer.ok) { location.href = answer.url; return; }
      refuse(upload, new DOMParser().parseFromString(await answer.text(), "text/html"));
      if (button) button.disabled = false;
    } catch (error) {
      if (said) said.textContent = error instanceof Error ? error.message : String(error);
      if (button) button.disabled = false;
    }
  });
}
addEventListener("offline", () => connected(false));
addEventListener("online", () => connected(true));
