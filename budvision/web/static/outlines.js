// Correcting outlines: the page gathers steps, the season shows what they give, and keeps them.

import { spoken } from "./language.js";
import { Cross } from "./outlines_keys.js";
import { send } from "./send.js";
import { CutView } from "./viewer.js";

const at = (id) => document.getElementById(id);
const { cut, back } = JSON.parse(at("facts").textContent);
const picked = (name) => document.querySelector(`input[name="${name}"]:checked`).value;
/** A step in words: what was done to which tissue. */
function told({ kind, tissue, to, mode }) {
  const words = { tissue: spoken(tissue ?? ""), to: spoken(to ?? "") };
  if (kind === "original") return spoken("went back to the program's outlines");
  if (kind === "rename") return spoken("changed {tissue} to {to}", words);
  if (kind === "delete") return spoken("deleted {tissue}", words);
  if (mode === "add") return spoken("added to {tissue}", words);
  if (mode === "take") return spoken("took away from {tissue}", words);
  return kind === "grow" ? spoken("grew {tissue}", words) : spoken("drew {tissue}", words);
}
const steps = [];
let line = [];
let dragging = false;

const remembered = document.querySelector(`input[name="tissue"][value="${sessionStorage.getItem("tissue in front")}"]`);
if (remembered) remembered.checked = true;
let leaving = false;
window.addEventListener("beforeunload", (event) => {
  if (!leaving && (steps.length || line.length)) event.preventDefault();  // the browser asks first
});

const view = new CutView(cut, { label: spoken("The cut with its outlines") });
at("view").append(view.svg);

function say(text) {
  at("notice").textContent = text;
  at("notice").hidden = !text;
}

function drawLine() {
  view.extra.replaceChildren();
  at("close").disabled = line.length < 3;
  if (!line.length) return;
  const ns = "http://www.w3.org/2000/svg";
  const path = document.createElementNS(ns, "path");
  path.setAttribute("class", "mark-line");
  path.setAttribute("d", `M${line.map(([row, col]) => `${col} ${row}`).join(" ")}`);
  view.extra.append(path);
  const point = document.createElementNS(ns, "circle");
  const [row, col] = line[0];
  for (const [key, value] of Object.entries({ class: "mark-point", cx: col, cy: row, r: view.at.w * 0.008 })) point.setAttribute(key, value);
  view.extra.append(point);
}

function list() {
  at("steps").replaceChildren(...steps.map((step) => Object.assign(document.createElement("li"), { textContent: told(step) })));
  at("save").disabled = !steps.length;
  at("undo").disabled = !steps.length && !line.length;
}

async function show() {
  const shown = steps.length
    ? (await send(`/review/cut/${cut.photo_id}/outlines/preview`, { steps })).outlines : cut.outlines;
  view.drawOutlines(shown);
  view.front(picked("tissue"));
  list();
}

async function add(step) {
  steps.push(step);
  say("");
  try {
    await show();
  } catch (error) {
    steps.pop();
    say(error.message);
    list();
  }
}

function closeLine() {
  if (line.length < 3) return;
  const points = line;
  line = [];
  drawLine();
  add({ kind: "draw", tissue: picked("tissue"), points, mode: picked("mode") });
}

view.tool = (event) => {
  const tool = picked("tool");
  if (tool === "look" || event.button > 0) return false;
  event.preventDefault();
  const [x, y] = view.point(event);
  if (tool === "grow") {
    add({ kind: "grow", tissue: picked("tissue"), points: [[y, x]], mode: picked("mode") });
    return true;
  }
  if (line.length > 2) {
    const near = view.at.w * 0.02;
    if (Math.hypot(line[0][0] - y, line[0][1] - x) < near) { closeLine(); return true; }
  }
  line.push([y, x]);
  dragging = true;
  view.svg.setPointerCapture(event.pointerId);
  drawLine();
  list();
  return true;
};
view.svg.addEventListener("pointermove", (event) => {
  if (!dragging) return;
  const [x, y] = view.point(event);
  const last = line[line.length - 1];
  if (Math.hypot(last[0] - y, last[1] - x) > view.at.w * 0.012) { line.push([y, x]); drawLine(); }
});
view.svg.addEventListener("pointerup", () => {
  if (!dragging) return;
  dragging = false;
  if (line.length > 12) closeLine();  // a line drawn in one go closes by itself
});

// The same without a pointer: the photograph has the focus, the arrow keys move a cross.
new Cross(view, {
  tool: () => picked("tool"), line: () => line,
  put: (point) => line.push(point),
  grow: (point) => add({ kind: "grow", tissue: picked("tissue"), points: [point], mode: picked("mode") }),
  drawn: () => { drawLine(); list(); },
  tell: (words) => { at("state").textContent = words; },
});

function undo() {
  if (line.length) { line = []; drawLine(); list(); return; }
  if (!steps.length) return;
  steps.pop();
  show().catch((error) => say(error.message));
}

at("close").addEventListener("click", closeLine);
at("undo").addEventListener("click", undo);
at("delete").addEventListener("click", () => add({ kind: "delete", tissue: picked("tissue") }));
at("original").addEventListener("click", () => add({ kind: "original" }));
at("rename").addEventListener("click", () => {
  if (at("to").value !== picked("tissue")) add({ kind: "rename", tissue: picked("tissue"), to: at("to").value });
});
at("save").addEventListener("click", async () => {
  at("save").disabled = true;
  try {
    const done = await send(`/review/cut/${cut.photo_id}/outlines`, { steps, note: at("note").value });
    leaving = Boolean(done.proposal_id);
    if (done.proposal_id) location.href = back;
    else { say(done.message); steps.length = 0; list(); }
  } catch (error) {
    say(error.message);
    list();
  }
});
for (const input of document.querySelectorAll('input[name="tissue"]')) {
  input.addEventListener("change", () => view.front(picked("tissue")));
}
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.matches("input:not([type=radio]), select")) return;
  const tissue = { 1: "primary", 2: "secondary", 3: "tertiary" }[event.key];
  if (tissue) {
    document.querySelector(`input[name="tissue"][value="${tissue}"]`).checked = true;
    view.front(tissue);
  } else if (event.key === "Enter" && !event.target.matches("button, a")) closeLine();
  else if (event.key === "Backspace") { event.preventDefault(); undo(); }
  else if (event.key === "+" || event.key === "=") view.zoom(1.4);
  else if (event.key === "-") view.zoom(1 / 1.4);
  else if (event.key === "0") view.reset();
});
view.front(picked("tissue"));
