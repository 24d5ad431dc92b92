// Every page: the list as somebody types, neck strips, true progress of an upload.
// @ts-check
import { ask, connected, draw, latestWins } from "./ask.js";

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
  upload.addEventListener("submit", (event) => {
    event.preventDefault();
    const bar = upload.querySelector("progress");
    const sending = new XMLHttpRequest();
    sending.open("POST", upload.action);
    sending.setRequestHeader("accept", "text/html");
    sending.responseType = "document";
    sending.upload.onprogress = (sent) => {
      if (bar) { bar.hidden = false; bar.max = sent.total; bar.value = sent.loaded; }
    };
    sending.onload = () => {
      if (sending.responseURL !== upload.action) { location.href = sending.responseURL; return; }
      const main = sending.responseXML?.querySelector("main");
      if (main) { document.querySelector("main")?.replaceWith(main); main.focus(); scrollTo(0, 0); }
    };
    sending.onerror = () => connected(false);
    sending.send(new FormData(upload));
  });
}
addEventListener("offline", () => connected(false));
addEventListener("online", () => connected(true));
