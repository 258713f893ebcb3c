// Draws the bud page from what it knows, and brings one tissue in front.

import { spoken } from "./language.js";
import { hint } from "./review_hints.js";
import { drawCards, drawHistory, drawProgress, drawStrip } from "./review_parts.js";
import { buildStage } from "./review_stage.js";
import {
  asked, at, bestCut, choice, draft, facts, front, memory, open, path, revealed, set, TISSUES, toCall,
  told, valueOf, whole,
} from "./review_state.js";

const joined = (tissues) => tissues.map((one) => spoken(one)).join(` ${spoken("and")} `);

let views = [];
let chosen = -1;  // the cut that a person put in the large place; -1: the best one of the tissue in front
export let tone = "shot";

export const say = (text) => Object.assign(at("notice"), { textContent: text, hidden: !text });

const large = () => (chosen >= 0 && chosen < views.length ? chosen : Math.max(0, bestCut()));

/** Put a cut in the large place: its number from 0. */
export function chooseCut(index) {
  if (index < 0 || index >= views.length) return;
  chosen = index;
  drawFront();
}

/** The next cut, or the one before. */
export const stepCut = (by) => chooseCut(large() + by);

function drawSlider() {
  const slider = at("cut-slider");
  at("cut-slide").hidden = views.length < 2;
  slider.max = views.length;
  slider.value = large() + 1;
  slider.setAttribute("aria-valuetext", spoken("Cut {cut}", { cut: views[large()]?.cut.cut ?? "" }));
}

function drawStage() {
  chosen = -1;
  views = buildStage(at("stage"), {
    facts, tone, back: path(facts.bud.id), correcting: !facts.hidden && choice.reading === "first",
  });
}

export function drawFront() {
  const best = large();
  sessionStorage.setItem("tissue in front", front);  // the page of corrections begins with it
  views.forEach(({ view, figure, title, cut }, index) => {
    view.front(front);
    figure.classList.toggle("best", index === best);
    const shows = TISSUES.filter((tissue) => facts.tissues[tissue].proposal?.cut === cut.cut);
    title.textContent = shows.length && facts.cuts.length > 1
      ? spoken("Cut {cut}, best for {tissues}", { cut: cut.cut, tissues: joined(shows) })
      : spoken("Cut {cut}", { cut: cut.cut });
  });
  views[best]?.figure.scrollIntoView({ block: "nearest", inline: "nearest" });
  drawSlider();
}

export function drawCalls() {
  drawCards(at("cards"), { facts, draft, front, reading: choice.reading, toCall: toCall(), valueOf });
  at("hint").textContent = hint({
    facts, front, revealed, settling: choice.reading === "settle",
    drafted: Object.keys(draft).length > 0, called: Boolean(valueOf(front)), open: open(), asked: asked(),
  });
  const save = at("save");
  save.textContent = revealed ? spoken("Keep mine") : whole() && !Object.keys(draft).length ? spoken("Go on") : spoken("Save bud");
  save.disabled = !whole();
  at("no-bud").textContent = facts.no_bud ? spoken("There is a bud") : spoken("No bud here");
  at("undo").disabled = !Object.keys(draft).length && !memory.trail().length;
}

export function draw() {
  const { bud } = facts;
  at("place").textContent = bud.vine
    ? spoken("{block}, cane {cane} (vine {vine}), node {node}", bud) : spoken("{block}, cane {cane}, node {node}", bud);
  document.title = `${at("place").textContent} · ${spoken("review")}`;
  drawCounts();
  drawStage();
  drawFront();
  drawCalls();
  drawHistory(at("history"), at("past"), facts);
  sayOpen();
}

/** How far the sampling is, and its strip of buds. */
export function drawCounts() {
  drawProgress(at("progress"), facts, choice);
  drawStrip(at("strip"), facts, path);
}

export function sayOpen() {
  const also = facts.open_by ? spoken("{person} has this bud open as well. If you both save, both calls are kept.", { person: facts.open_by }) : "";
  say([told, also].filter(Boolean).join(" "));
}

export function bring(tissue) {
  if (!toCall().includes(tissue)) return;
  set({ front: tissue });
  chosen = -1;
  drawFront();
  drawCalls();
}

/** The cut in the large place: its view, and its figure on the page. */
export const inFront = () => views[large()];

export function setTone() {
  tone = tone === "shot" ? "even" : "shot";
  at("tone").setAttribute("aria-pressed", String(tone === "even"));
  for (const { view } of views) view.setTone(tone);
}
