// Files are sent piece by piece: a lost connection costs the piece under way, and goes on from there.
// @ts-check
import { JSON_HEADERS, MARKED, answered, connected } from "./ask.js";

const PIECE = 4_000_000;
const AGAIN_MS = 1000;

/** Ask until the program answers. @param {() => Promise<Response>} asking @returns {Promise<Response>} */
export async function insist(asking) {
  for (;;) {
    try {
      const answer = await asking();
      connected(true);
      return answer;
    } catch { // no connection
      connected(false);
      await new Promise((go) => setTimeout(go, AGAIN_MS));
    }
  }
}
/** The same; what is refused is thrown. @param {() => Promise<Response>} asking */
const sure = async (asking) => answered(await insist(asking));

/**
 * Send files and return the task that they wait for.
 * @param {File[]} files @param {(share: number) => void} seen @returns {Promise<string>}
 */
export async function send(files, seen) {
  const whole = Math.max(1, files.reduce((sum, file) => sum + file.size, 0));
  const begun = await sure(() => fetch("/uploads", { method: "POST", headers: JSON_HEADERS, body: JSON.stringify({ files: files.map((file) => ({ name: file.name, size: file.size })) }) }));
  const { task } = await begun.json();
  let before = 0;
  for (const [number, file] of files.entries()) {
    let at = 0;
    while (at < file.size) {
      const place = `/uploads/${task}/${number}`;
      try {
        const answer = await fetch(place, { method: "PATCH", headers: { "upload-offset": String(at), accept: "application/json", ...MARKED }, body: file.slice(at, at + PIECE) });
        connected(true);
        if (answer.status !== 409) await answered(answer.clone());
        at = (await answer.json()).received;
      } catch (error) {
        if (!(error instanceof TypeError)) throw error; // refused; else the connection is gone
        connected(false);
        await new Promise((go) => setTimeout(go, AGAIN_MS));
        const known = await (await sure(() => fetch(`/uploads/${task}`, { headers: { accept: "application/json" } }))).json();
        at = known.received[number];
      }
      seen((before + at) / whole);
    }
    before += file.size;
  }
  seen(1);
  return task;
}
