// A raw scan from all sides, to look for holes and dirt; nothing is decided by it.
// @ts-check
import { one } from "./ask.js";

const VERTEX = `attribute vec3 at; uniform mat3 turn; uniform vec3 grow; uniform vec2 frame; uniform float size; uniform vec2 span; varying float share;
void main() { share = (at.z - span.x) / (span.y - span.x); vec3 seen = turn * (at * grow); gl_Position = vec4(seen.xy * frame, seen.z * 0.3, 1.0); gl_PointSize = size; }`;
const FRAGMENT = `precision mediump float; varying float share; uniform vec3 low; uniform vec3 high;
void main() { gl_FragColor = vec4(mix(low, high, clamp(share, 0.0, 1.0)), 1.0); }`;
/** Seen from: turn about the height, then tilt [rad]. @type {Record<string, [number, number]>} */
const FROM = { above: [0, 0], side: [0, -Math.PI / 2], end: [Math.PI / 2, -Math.PI / 2], corner: [0.5, -1.0] };

class ScanView extends HTMLElement {
  around = 0.5; tilt = -1.0; near = 1; raise = 10;
  /** @type {Float32Array} */ points = new Float32Array();
  /** @type {() => void} */ draw = () => {};

  async connectedCallback() {
    /** @type {HTMLCanvasElement} */ const canvas = one("canvas", this);
    const gl = canvas.getContext("webgl", { antialias: false });
    if (!gl) { this.say("This browser cannot draw in three dimensions; the pictures of the readings show the scan from above."); return; }
    const answer = await fetch(this.dataset.points ?? "");
    if (!answer.ok) { this.say("The points are no longer kept; load the page again."); return; }
    this.points = new Float32Array(await answer.arrayBuffer());
    this.prepare(canvas, gl);
    this.listen(canvas);
    new ResizeObserver(() => this.draw()).observe(canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  /** @param {string} text */
  say(text) { const said = one("[data-said]", this); said.textContent = text; said.removeAttribute("hidden"); }

  /** @param {HTMLCanvasElement} canvas @param {WebGLRenderingContext} gl */
  prepare(canvas, gl) {
    const program = gl.createProgram();
    for (const [kind, text] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]])) {
      const shader = gl.createShader(kind);
      if (!shader) return;
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    gl.useProgram(program);
    gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
    gl.bufferData(gl.ARRAY_BUFFER, this.points, gl.STATIC_DRAW);
    const at = gl.getAttribLocation(program, "at");
    gl.enableVertexAttribArray(at);
    gl.vertexAttribPointer(at, 3, gl.FLOAT, false, 0, 0);
    gl.enable(gl.DEPTH_TEST);
    const place = (/** @type {string} */ name) => gl.getUniformLocation(program, name);
    const heights = this.points.filter((_, n) => n % 3 === 2).sort();
    const share = (/** @type {number} */ part) => heights[Math.floor(part * (heights.length - 1))] ?? 0;
    const size = (this.dataset.size ?? "1 1 1").split(" ").map(Number);
    const whole = 2 / Math.max(...size);
    this.draw = () => {
      const scale = devicePixelRatio || 1;
      canvas.width = canvas.clientWidth * scale;
      canvas.height = canvas.clientHeight * scale;
      gl.viewport(0, 0, canvas.width, canvas.height);
      const ink = (/** @type {string} */ name) => colour(getComputedStyle(this).getPropertyValue(name));
      gl.clearColor(...ink("--paper"), 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      const [c, s, C, S] = [Math.cos(this.around), Math.sin(this.around), Math.cos(this.tilt), Math.sin(this.tilt)];
      gl.uniformMatrix3fv(place("turn"), false, [c, s * C, s * S, -s, c * C, c * S, 0, -S, C]);
      gl.uniform3f(place("grow"), whole, whole, whole * this.raise);
      const wide = canvas.width / Math.max(1, canvas.height);
      gl.uniform2f(place("frame"), 0.95 * this.near, 0.95 * this.near * wide);
      const cell = 0.6 * Number(this.dataset.cell) * whole * this.near * canvas.width; // an even raster is closed
      gl.uniform1f(place("size"), Math.max(1.5 * scale, Math.min(16, cell)));
      gl.uniform2f(place("span"), share(0.02), share(0.98) + 1e-6);
      gl.uniform3f(place("low"), ...ink("--metal-2"));
      gl.uniform3f(place("high"), ...ink("--ink"));
      gl.drawArrays(gl.POINTS, 0, this.points.length / 3);
      this.dataset.drawn = String(this.points.length / 3);
    };
    this.draw();
  }

  /** @param {HTMLCanvasElement} canvas */
  listen(canvas) {
    const move = (/** @type {number} */ around, /** @type {number} */ tilt, /** @type {number} */ near) => {
      this.around += around;
      this.tilt = Math.max(-Math.PI, Math.min(0, this.tilt + tilt));
      this.near = Math.max(0.5, Math.min(40, this.near * near));
      document.querySelectorAll("[data-from]").forEach((b) => b.setAttribute("aria-pressed", "false"));
      this.draw();
    };
    canvas.addEventListener("pointerdown", (event) => canvas.setPointerCapture(event.pointerId));
    canvas.addEventListener("pointermove", (event) => {
      if (canvas.hasPointerCapture(event.pointerId)) move(event.movementX / 150, event.movementY / 150, 1);
    });
    canvas.addEventListener("wheel", (event) => { event.preventDefault(); move(0, 0, Math.exp(-event.deltaY / 500)); }, { passive: false });
    canvas.addEventListener("keydown", (event) => {
      const steps = /** @type {Record<string, [number, number, number]>} */ ({ ArrowLeft: [-0.1, 0, 1], ArrowRight: [0.1, 0, 1], ArrowUp: [0, -0.1, 1], ArrowDown: [0, 0.1, 1], "+": [0, 0, 1.2], "-": [0, 0, 1 / 1.2] });
      const step = steps[event.key];
      if (step) { event.preventDefault(); move(...step); }
    });
    document.querySelectorAll("[data-nearer]").forEach((button) => button.addEventListener("click", () => {
      move(0, 0, button instanceof HTMLElement && button.dataset.nearer === "1" ? 1.4 : 1 / 1.4);
    }));
    document.querySelectorAll("[data-from]").forEach((button) => button.addEventListener("click", () => {
      const from = FROM[button instanceof HTMLElement ? button.dataset.from ?? "" : ""];
      if (!from) return;
      [this.around, this.tilt] = from;
      this.near = 1;
      document.querySelectorAll("[data-from]").forEach((b) => b.setAttribute("aria-pressed", String(b === button)));
      this.draw();
    }));
    /** @type {HTMLSelectElement} */ const raise = one("#raise");
    raise.addEventListener("change", () => { this.raise = Number(raise.value); this.draw(); });
  }
}

/** @param {string} text A colour as #rgb or #rrggbb. @returns {[number, number, number]} */
function colour(text) {
  const hex = text.trim().slice(1);
  const part = (/** @type {number} */ n) => parseInt(hex.length === 3 ? `${hex[n]}${hex[n]}` : hex.slice(2 * n, 2 * n + 2), 16) / 255 || 0;
  return [part(0), part(1), part(2)];
}
customElements.define("scan-view", ScanView);
