// The heat curve comes alive: drag or pinch to move and zoom, hover or tap for values, keys and buttons for the same.
import { readOut } from "./readout.js";

const HOUR = 3_600_000;
const figure = document.querySelector("[data-curve]");
const dark = matchMedia("(prefers-color-scheme: dark)");
let view = null;
let whole = [0, 0];
let known = 0; // where readings end and the outlook begins
let shown = null;
let stage = null;
let words = null;
let rows = [];
let ahead = [];
let used = new Set();
let settle = 0;
let frame = 0;

const theme = () => (dark.matches ? "dark" : "light");
const address = (extra = "") => `${figure.dataset.curve}?w=${Math.max(280, Math.min(2000, Math.round(stage.clientWidth)))}&theme=${theme()}${extra}`;

async function specification(extra) {
  const answer = await fetch(address(extra));
  if (!answer.ok) throw new Error(`curve: ${answer.status}`);
  return answer.json();
}

function build() {
  stage = document.createElement("div");
  stage.className = "stage";
  stage.tabIndex = 0;
  stage.setAttribute("role", "group");
  stage.setAttribute("aria-label", "Heat curve. Arrow keys move, plus and minus zoom, 0 shows all.");
  const canvas = document.createElement("div");
  const hair = document.createElement("div");
  hair.className = "hair";
  hair.hidden = true;
  stage.append(canvas, hair);
  words = document.createElement("output");
  words.textContent = "Point at the curve, or tap it, to read values.";
  const tools = document.createElement("div");
  tools.className = "tools";
  const acts = [["Whole", "The whole curve", () => show(...whole)], ["3 days", "The last 3 days", () => show(known - 72 * HOUR, whole[1])],
    ["1 day", "The last 1 day", () => show(known - 24 * HOUR, whole[1])], ["+", "Nearer", () => zoom(0.5)], ["−", "Farther", () => zoom(2)],
    ["◀", "Earlier", () => pan(-0.4)], ["▶", "Later", () => pan(0.4)]];
  for (const [word, name, act] of acts) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = word;
    button.setAttribute("aria-label", name);
    button.title = name;
    button.addEventListener("click", act);
    tools.append(button);
  }
  return { canvas, hair, tools };
}

function show(from, to) {
  const span = Math.min(Math.max(to - from, HOUR), whole[1] - whole[0]);
  const start = Math.min(Math.max(from, whole[0]), whole[1] - span);
  shown = [start, start + span];
  cancelAnimationFrame(frame);
  frame = requestAnimationFrame(() => view.signal("x_from", shown[0]).signal("x_to", shown[1]).runAsync());
  clearTimeout(settle);
  settle = setTimeout(() => refine().catch(() => {}), 250);
}

function zoom(factor, around = (shown[0] + shown[1]) / 2) {
  show(around - (around - shown[0]) * factor, around + (shown[1] - around) * factor);
}

function pan(share) {
  const step = (shown[1] - shown[0]) * share;
  show(shown[0] + step, shown[1] + step);
}

async function refine() {
  const [from, to] = shown.map(Math.round);
  const finer = await specification(`&from=${from}&to=${to}`);
  if (Math.round(shown[0]) !== from || Math.round(shown[1]) !== to) return;
  for (const [name, values] of Object.entries(finer.datasets)) if (used.has(name)) view.data(name, values);
  rows = finer.datasets.curve;
  for (const { name, value } of finer.params) if (name.startsWith("tick")) view.signal(name, value);
  await view.runAsync();
}

function instant(event) {
  const x = event.clientX - stage.getBoundingClientRect().left - view.origin()[0];
  return shown[0] + (x / view.scale("x").range()[1]) * (shown[1] - shown[0]);
}

function read(event, hair) {
  const at = instant(event);
  if (at < shown[0] || at > shown[1]) {
    hair.hidden = true;
    return;
  }
  hair.hidden = false;
  hair.style.left = `${event.clientX - stage.getBoundingClientRect().left}px`;
  hair.style.top = `${view.origin()[1]}px`;
  hair.style.height = `${view.scale("y").range()[0]}px`;
  words.textContent = readOut(rows, ahead, at, figure.dataset.units, figure.dataset.zone);
}

function listen(hair) {
  const fingers = new Map();
  let held = null;
  stage.addEventListener("pointerdown", (event) => {
    fingers.set(event.pointerId, event);
    held = { at: instant(event), x: event.clientX, moves: false };
    read(event, hair);
  });
  stage.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) {
      read(event, hair);
      return;
    }
    const before = [...fingers.values()];
    fingers.set(event.pointerId, event);
    if (fingers.size === 2 && before.length === 2) {
      const [a, b] = before.map((one) => one.clientX);
      const [c, d] = [...fingers.values()].map((one) => one.clientX);
      if (Math.abs(d - c) > 8) zoom(Math.abs(b - a) / Math.abs(d - c), instant({ clientX: (c + d) / 2 }));
    } else if (fingers.size === 1 && held && (held.moves || Math.abs(event.clientX - held.x) > 4)) {
      if (!held.moves) stage.setPointerCapture(event.pointerId);
      held.moves = true;
      const moved = held.at - instant(event);
      show(shown[0] + moved, shown[1] + moved);
    }
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
    stage.addEventListener(end, (event) => fingers.delete(event.pointerId));
  }
  stage.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.25 : 0.8, instant(event));
  }, { passive: false });
  const keys = { ArrowLeft: () => pan(-0.25), ArrowRight: () => pan(0.25), "+": () => zoom(0.5), "-": () => zoom(2), 0: () => show(...whole) };
  stage.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    act();
  });
}

async function start() {
  const { default: embed } = await import(figure.dataset.engine);
  const { canvas, hair, tools } = build();
  const picture = figure.querySelector("picture");
  const width = picture.clientWidth || figure.clientWidth - 16;
  figure.append(stage, words, tools);
  const spec = await specification("");
  spec.width = width;
  used = new Set(spec.layer.map((layer) => layer.data.name));
  const drawn = await embed(canvas, spec, { ast: true, actions: false, renderer: "canvas", defaultStyle: false, tooltip: false });
  view = drawn.view;
  rows = spec.datasets.curve;
  ahead = spec.datasets.outlook;
  [whole[0], whole[1], known] = ["x_from", "x_to", "known_to"].map((name) => spec.params.find((one) => one.name === name).value);
  shown = [...whole];
  picture.hidden = true;
  listen(hair);
  figure.dataset.alive = "yes";
  let size = 0;
  let drawnAt = width;
  new ResizeObserver(() => {
    clearTimeout(size);
    size = setTimeout(() => {
      if (Math.abs(stage.clientWidth - drawnAt) < 8) return;
      drawnAt = stage.clientWidth;
      view.width(drawnAt).runAsync();
    }, 200);
  }).observe(stage);
}

if (figure) {
  const watch = new IntersectionObserver((seen) => {
    if (!seen.some((one) => one.isIntersecting)) return;
    watch.disconnect();
    start().catch((error) => {
      // the picture stays: it says the same
      stage?.remove();
      console.warn("The curve stays a picture:", error);
    });
  });
  watch.observe(figure);
}
