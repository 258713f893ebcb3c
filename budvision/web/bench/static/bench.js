// The bench page: where one stands, the camera, the answer, what waits to be sent.

import * as camera from "./camera.js";
import * as queue from "./queue.js";
import { shelve } from "./shelf.js";
import { askToLook, drawAnswer, drawUnanswered } from "./answer.js";
import { ofOthers, sayWhileWaiting } from "./loading.js";
import { drawNotice } from "./notice.js";
import { spoken, spokenN } from "/static/language.js";
import { read, Refused, renewToken, send } from "/static/send.js";

const $ = (id) => document.getElementById(id);
const root = $("bench");
const base = root.dataset.base.replace(/\/$/, "");
const sampling = Number(root.dataset.sampling);
const person = root.dataset.person;        // what is taken here is theirs, whoever comes to this browser next
const PLACE = `budvision-bench-${base}-${sampling}`;

let board = JSON.parse($("bench-board").textContent);
let place = null;          // { cane, node, cut, retake }: what the next photograph will show
let trail = [];            // places one came from
let last = null;           // id of the newest photograph; its answer may move the place
let shown = null;          // { cane, node, cut } of the photograph whose answer is in sight
let kept = [];             // what waits in the browser
let sending = false, again = false;    // on its way; something new came meanwhile
let away = "";             // why what is kept could not be sent: "network", "nobody", or in words; '' while it is being sent

// ---- places -----------------------------------------------------------------------------------

const caneOf = (label) => board.canes.find((cane) => cane.label === label);
const budOf = (label, node) => caneOf(label)?.buds.find((bud) => bud.node === node);
const isMine = (item) => item.sampling === sampling && item.person === person;
const waitingAt = (label, node) => kept.filter((item) => item.sampling === sampling && item.kind === "photo" && item.cane === label && item.node === node);

function cutsAt(label, node) {
  const known = (budOf(label, node)?.cuts ?? []).map((cut) => cut.cut);
  return Math.max(0, ...known, ...waitingAt(label, node).map((item) => item.cut));
}
const untouched = (cane, bud) => !bud.mark && cutsAt(cane.label, bud.node) === 0;

function firstOpen() {
  for (const cane of board.canes) {
    const bud = cane.buds.find((one) => untouched(cane, one));
    if (bud) return { cane: cane.label, node: bud.node, cut: 1, retake: false };
  }
  const cane = board.canes.at(-1);
  return cane ? { cane: cane.label, node: 1, cut: cutsAt(cane.label, 1) + 1, retake: false } : null;
}

function nextBud() {
  const at = board.canes.findIndex((cane) => cane.label === place.cane);
  const order = [...board.canes.slice(at), ...board.canes.slice(0, at)];
  for (const [i, cane] of order.entries()) {
    const bud = cane.buds.find((one) => (i > 0 || one.node > place.node) && untouched(cane, one));
    if (bud) return { cane: cane.label, node: bud.node, cut: 1, retake: false };
  }
  return firstOpen();
}

function go(to, { remember = true, keepAnswer = false } = {}) {
  if (!to) return;
  if (!keepAnswer) shown = null;            // gone elsewhere by hand: the buttons speak of that place
  if (remember && place) trail.push(place);
  trail = trail.slice(-50);
  place = to;
  localStorage.setItem(PLACE, JSON.stringify(place));
  draw();
}

// ---- drawing ----------------------------------------------------------------------------------

function draw() {
  if (!place) {
    $("bench-where")?.replaceChildren();
    return;
  }
  const cane = caneOf(place.cane);
  $("bench-cane").textContent = place.cane;
  $("bench-node").textContent = place.node;
  $("bench-cut").textContent = place.cut;
  const facts = [cane?.vine && spoken("vine {vine}", cane), cane?.vigor, cane?.zone, place.retake && spoken("taking this cut again")].filter(Boolean);
  $("bench-vine").textContent = facts.join(" · ");
  const words = place.retake ? spoken("Take cut {cut} again", place) : spoken("Photograph node {node}, cut {cut}", place);
  $("bench-shoot-word").textContent = words;
  $("bench-next").textContent = cutsAt(place.cane, place.node) ? spoken("Next bud") : spoken("Skip this bud");
  const { node, cut } = inSight();
  $("bench-again").textContent = spoken("Take node {node} cut {cut} again", { node, cut: Math.max(1, cut) });
  $("bench-deeper").textContent = spoken("Node {node}: next cut, deeper", { node });
  for (const name of ["bench-again", "bench-deeper"]) $(name).disabled = cut < 1;   // nothing to take again, nothing to go deeper from
  $("bench-nodes").replaceChildren(...(cane?.buds ?? []).map(nodeButton), furtherNode(cane));
  $("bench-canes").replaceChildren(...board.canes.map((one) => {
    const words = [one.label, one.done && spoken("done"), one.vine && spoken("vine {vine}", one)].filter(Boolean).join(" · ");
    return new Option(words, one.label, false, one.label === place.cane);
  }));
  const bud = budOf(place.cane, place.node);
  for (const button of document.querySelectorAll("[data-mark]")) {
    const value = button.dataset.mark === "node" ? bud?.mark : bud?.cause;
    button.setAttribute("aria-pressed", String(value === button.dataset.value));
  }
  const done = board.progress;
  $("bench-done").textContent = [
    spokenN("{canes_done} of {n} cane", "{canes_done} of {n} canes", done.canes, done),
    spokenN("{n} bud photographed", "{n} buds photographed", done.photographed)].join(", ");
  const all = board.canes.reduce((sum, one) => sum + one.buds.length, 0);
  $("bench-bar").max = all || 1;
  $("bench-bar").value = done.photographed + done.missing;
  $("bench-waiting").textContent = spoken("{waiting} waiting for review, {called} called.", done);
  $("bench-decision").textContent = board.decision?.words ?? "";
  $("bench-loose").hidden = !done.loose;
  drawNet();
}

/** The photograph that "again" and "deeper" act on: the one in sight, else the newest of this bud. */
const inSight = () => shown ?? { cane: place.cane, node: place.node, cut: cutsAt(place.cane, place.node) };

function furtherNode(cane) {
  const node = Math.max(0, ...(cane?.buds ?? []).map((bud) => bud.node)) + 1;
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: "+" });
  button.setAttribute("aria-label", spoken("node {node}, one more on this cane", { node }));
  button.addEventListener("click", () => go({ cane: place.cane, node, cut: cutsAt(place.cane, node) + 1, retake: false }));
  return button;
}

function nodeButton(bud) {
  const button = document.createElement("button");
  button.type = "button";
  const n = cutsAt(place.cane, bud.node);
  const waits = waitingAt(place.cane, bud.node).length;
  const marked = { missing: spoken("no bud"), blind: spoken("blind node") }[bud.mark];
  const state = marked ?? (waits ? spoken("waits") : n ? spokenN("{n} cut", "{n} cuts", n) : "–");
  button.append(String(bud.node), Object.assign(document.createElement("small"), { textContent: state }));
  button.setAttribute("aria-label", spoken("node {node}, {state}", { node: bud.node, state }));
  if (bud.node === place.node) button.setAttribute("aria-current", "true");
  button.addEventListener("click", () => go({ cane: place.cane, node: bud.node, cut: n + 1, retake: false }));
  return button;
}

function drawNet(text = "") {
  const mine = kept.filter(isMine);
  $("bench-others").textContent = ofOthers(kept, person);
  $("bench-kept").textContent = mine.length && away ? spoken("{n} not sent yet", { n: mine.length }) : "";
  drawNotice($("bench-net"), { text, away, waiting: mine, choicesFor });
}

/** What may be done with a photograph or mark that was refused: a word and the deed, in order. */
function choicesFor(refused) {
  const first = refused.code === "cut_taken"
    ? [
      [spoken("Keep it as the next cut"), () => resend(refused, { cut: cutsAt(refused.cane, refused.node) + 1 })],
      [spoken("Put it in place of the other"), () => resend(refused, { retake: true })],
    ]
    : [[spoken("Send it again"), () => resend(refused, {})]];
  return [...first, [spoken("Discard it"), async () => { await queue.forget(refused.id); await recount(); }]];
}

/** Enter a photograph that has arrived into the board at once; the server's own follows. */
function enter(item, body) {
  const bud = budOf(item.cane, item.node);
  if (!bud || bud.cuts.some((cut) => cut.sha256 === body.sha256)) return;
  const seen = Object.entries(body.answer?.seen ?? {}).filter(([, here]) => here).map(([tissue]) => tissue);
  bud.cuts = [...bud.cuts.filter((cut) => cut.cut !== body.cut), { cut: body.cut, sha256: body.sha256, seen }];
}

function showAnswer(item, body) {
  const answer = body.answer;
  drawAnswer(item, body, `${base}/picture/${body.sha256}.jpg?${Date.now()}`);
  root.dataset.answered = String(item.id);
  if (item.id !== last || !answer) { draw(); return; }
  shown = { cane: item.cane, node: item.node, cut: body.cut };
  if (answer.answer !== "look_yourself") goOn(answer);
  else askToLook(answer, shown, { good: () => goOn(answer), again: () => goOn({ next: "retake" }) });
}

/** Go where the answer to the photograph in sight leads. */
function goOn(answer) {
  const { cane, node, cut } = shown;
  if (answer.next === "retake") go({ cane, node, cut, retake: true }, { keepAnswer: true });
  else if (answer.next === "deeper") go({ cane, node, cut: cut + 1, retake: false }, { keepAnswer: true });
  else { place = { cane, node, cut, retake: false }; go(nextBud(), { keepAnswer: true }); }
}

// ---- taking and sending -----------------------------------------------------------------------

async function recount() {
  kept = await queue.waiting();
  root.dataset.waiting = String(kept.filter(isMine).length);
  draw();
}

async function capture(blob, name) {
  if (!place || !blob) return;
  const item = {
    kind: "photo", sampling, person, block: board.block, label: board.sampling, blob, name: name || "bench.jpg",
    cane: place.cane, node: place.node, cut: place.cut, retake: place.retake, at: new Date().toISOString(),
  };
  last = await queue.keep(item);
  drawUnanswered(item);
  sayWhileWaiting($("bench-headline"), `${base}/${sampling}/board`);
  shown = null;
  trail.push(place);
  place = { ...place, cut: place.cut + 1, retake: false };
  localStorage.setItem(PLACE, JSON.stringify(place));
  await recount();
  await sendWaiting();
}

/** Nothing was kept of this photograph: stand again where it was taken. */
function restore(item) {
  const { cane, node, cut, retake } = item;
  $("bench-headline").textContent = spoken("Not kept");
  place = { cane, node, cut, retake };
  localStorage.setItem(PLACE, JSON.stringify(place));
}

async function mark(kind, value) {
  const bud = budOf(place.cane, place.node);
  const standing = kind === "node" ? bud?.mark : bud?.cause;
  const next = standing === value ? "" : value;
  if (bud) bud[kind === "node" ? "mark" : "cause"] = next;
  await queue.keep({
    kind: "mark", sampling, person, block: board.block, label: board.sampling, cane: place.cane, node: place.node, cut: 0, mark: kind, value: next,
  });
  if (kind === "node" && next) go(nextBud());
  await recount();
  await sendWaiting();
}

function post(item) {
  const path = `${base}/${item.sampling}/${item.kind}`;
  const { cane, node, block, label } = item;
  if (item.kind === "mark") return send(path, { cane, node, kind: item.mark, value: item.value, block, label, person });
  const form = new FormData();
  form.append("photo", item.blob, item.name);
  for (const field of ["cane", "node", "cut", "block", "label", "person"]) form.append(field, item[field]);
  if (item.retake) form.append("retake", "yes");
  return send(path, form);
}

/** Send one, with a fresh token where the page has been open for long. */
async function deliver(item) {
  try {
    return await post(item);
  } catch (error) {
    if (error.body?.code !== "old_page") throw error;
    await renewToken(`${base}/token`);
    return post(item);
  }
}

async function sendWaiting() {
  if (sending) { again = true; return; }
  sending = true;
  let changed = false;
  try {
    for (const item of await queue.waiting()) {
      if (item.refused || !isMine(item)) continue;
      let body;
      try {
        body = await deliver(item);
      } catch (error) {
        const { status, body: said } = error;
        if (status === 401 || said?.code === "other_person") {
          away = status === 401 ? "nobody" : error.withoutPlace;
          break;
        }
        if (!(error instanceof Refused) || said.ok !== false || status >= 500 || status === 429) {
          away = error instanceof Refused && said.ok === false ? error.withoutPlace : "network";
          break;                                // what is kept stays kept
        }
        away = "";
        if (item.kind === "photo" && item.id === last && said.code !== "cut_taken") restore(item);
        const refused = error.withoutPlace;
        await queue.change({ ...item, refused, code: said.code });
        changed = true;
        continue;
      }
      away = "";
      await queue.forget(item.id);
      changed = true;
      kept = await queue.waiting();
      if (item.kind === "photo") {
        enter(item, body);
        showAnswer(item, body);
      }
    }
  } finally {
    sending = false;
    if (changed) await refresh();
    await recount();
    const more = kept.some((item) => isMine(item) && !item.refused);
    if (again && !away) sendWaiting();
    else if (more) setTimeout(sendWaiting, 4000);
    again = false;
  }
}

async function resend(item, changes) {
  const { refused, code, ...plain } = item;
  await queue.change({ ...plain, ...changes });
  await recount();
  await sendWaiting();
}

async function refresh() {
  try {
    board = await read(`${base}/${sampling}/board`);
  } catch { /* the board stays as it was */ }
}

// ---- camera at the computer -------------------------------------------------------------------

const video = $("bench-video");

/** Why no picture is taken by itself now: where it belongs is known once the last one is answered. */
function held() {
  if (!$("bench-alone").checked || document.querySelector("dialog[open]")) return "";
  const photos = kept.filter((item) => isMine(item) && item.kind === "photo");
  if (photos.every((item) => item.refused)) return photos.length ? "" : null;   // the notice asks what to do with it
  return spoken("The last picture has no answer yet: take this one yourself, at its bud.");
}

async function live(on) {
  const parts = { video, select: $("bench-devices"), meter: $("bench-sharp"), words: $("bench-light"), ring: document.querySelector(".bench-ring"),
    onSteady: takeLive, held };
  try {
    if (on) {
      $("bench-live").hidden = false;
      await camera.start(parts);
    } else {
      camera.stop(video);
    }
  } catch (error) {
    drawNet(spoken("The camera cannot be used: {why}", { why: error.message }));
    on = false;
  }
  $("bench-live").hidden = !on;
  $("bench-grab").hidden = !on;
  $("bench-shoot").hidden = on;
  $("bench-camera").setAttribute("aria-pressed", String(on));
}
const takeLive = async () => { if (camera.running()) await capture(await camera.grab(video), `camera-${Date.now()}.jpg`); };

// ---- hands, keys, network ---------------------------------------------------------------------

$("bench-file").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  const copy = file.slice(0, file.size, file.type);   // the field is emptied before it is sent
  event.target.value = "";
  await capture(copy, file.name);
});
$("bench-next").addEventListener("click", () => go(nextBud()));
$("bench-deeper").addEventListener("click", () => { const { cane, node } = inSight(); go({ cane, node, cut: cutsAt(cane, node) + 1, retake: false }); });
$("bench-again").addEventListener("click", () => {
  const { cane, node, cut } = inSight();
  go({ cane, node, cut: Math.max(1, cut), retake: cut > 0 });
});
$("bench-back").addEventListener("click", () => { const to = trail.pop(); if (to) go(to, { remember: false }); });
$("bench-canes").addEventListener("change", (event) => {
  const cane = caneOf(event.target.value);
  const bud = cane.buds.find((one) => untouched(cane, one)) ?? cane.buds[0];
  go({ cane: cane.label, node: bud.node, cut: cutsAt(cane.label, bud.node) + 1, retake: false });
});
for (const button of document.querySelectorAll("[data-mark]")) button.addEventListener("click", () => mark(button.dataset.mark, button.dataset.value));
$("bench-add").addEventListener("click", async () => {
  const label = prompt(spoken("Label of the new cane"));
  if (!label) return;
  try {
    const body = await send(`${base}/${sampling}/cane`, { cane: label });
    await refresh();
    go({ cane: body.cane, node: 1, cut: 1, retake: false });
  } catch (error) {
    drawNet(error.message);
  }
});
$("bench-camera").addEventListener("click", () => live(!camera.running()));
$("bench-devices").addEventListener("change", () => live(true));
$("bench-grab").addEventListener("click", takeLive);
document.addEventListener("keydown", (event) => {
  const typing = event.target.closest("input:not([type=file]), select, textarea");
  if (typing || !camera.running() || ![" ", "PageDown"].includes(event.key)) return;
  event.preventDefault();                       // also where a button has the focus: both hands are full
  if (!event.repeat) takeLive();
});
document.addEventListener("keyup", (event) => { if (event.key === " " && camera.running()) event.preventDefault(); });
addEventListener("online", sendWaiting);
setInterval(async () => { if (document.visibilityState === "visible" && !sending) { await refresh(); draw(); } }, 15000);

try {
  const stored = JSON.parse(localStorage.getItem(PLACE));
  if (stored && budOf(stored.cane, stored.node)) place = stored;
} catch { /* a damaged memory of the place is no loss */ }
place ??= firstOpen();
await recount();
root.dataset.ready = "yes";
shelve(base).then((done) => { if (done) root.dataset.shelved = "yes"; });
await sendWaiting();
