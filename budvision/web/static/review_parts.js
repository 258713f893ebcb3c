// Parts of the review page that are drawn from facts: cards, strip, progress, history.

import { read } from "./send.js";

export const NAMES = { primary: "Primary", secondary: "Secondary", tertiary: "Tertiary" };
export const WORDS = { live: "live", dead: "dead", unsure: "unsure", not_exposed: "not exposed" };
export const SIGNS = { live: "●", dead: "✕", unsure: "?", not_exposed: "–" };
const KEYS = { live: "L", dead: "D", unsure: "U", not_exposed: "N" };
const STATES = {
  done: "called", waiting: "waiting", skipped: "skipped", no_photo: "no photograph",
  partly: "called in part", missing: "no bud",
};
const likes = new Map();

const set = (parent, selector, text) => { parent.querySelector(selector).textContent = text; };

function proposalWords(tissue, { tissues, hidden, trial }, reading) {
  const one = tissues[tissue];
  if (reading === "second") return "second reading: nothing shown";
  if (reading === "settle") return "to be settled";
  if (hidden) return trial ? "on trial: proposal hidden" : "called blind: proposal hidden";
  if (!one.proposal) return "no proposal";
  const value = one.proposal.value;
  const other = one.proposal.other_name;
  const name = other ? `; ${tissue} or ${other}?` : "";
  if (value === "unsure") return `the program is unsure${one.proposal.sure ? `, ${one.proposal.sure}` : ""}${name}`;
  if (value === "not_exposed") {
    const alone = Object.keys(NAMES).find((name) => tissues[name].proposal?.other_name === tissue);
    return `proposed – not exposed${alone ? `, if the other is the ${alone}` : ""}`;
  }
  return `proposed ${SIGNS[value]} ${WORDS[value]}, ${one.proposal.sure}${name}`;
}

function newCard(tissue) {
  const card = document.getElementById("card").content.firstElementChild.cloneNode(true);
  card.dataset.tissue = tissue;
  card.classList.add(`card-${tissue}`);
  set(card, ".letter", tissue[0].toUpperCase());
  set(card, ".card-name", NAMES[tissue]);
  const calls = card.querySelector(".calls");
  calls.setAttribute("aria-label", `Call the ${tissue}`);
  for (const value of Object.keys(WORDS)) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.value = value;
    button.setAttribute("aria-label", `${NAMES[tissue]} ${WORDS[value]}`);
    button.setAttribute("aria-keyshortcuts", KEYS[value]);
    button.title = `${WORDS[value]}: key ${KEYS[value]}`;
    const sign = Object.assign(document.createElement("span"), { className: "sign", textContent: SIGNS[value] });
    sign.setAttribute("aria-hidden", "true");
    button.append(sign, WORDS[value]);
    calls.append(button);
  }
  return card;
}

function drawName(card, one, asking) {
  const { tissue } = card.dataset;
  const box = card.querySelector(".name");
  const other = asking ? one.proposal?.other_name : null;
  box.hidden = !other;
  if (!other) return;
  const sure = Math.round(one.proposal.p_name * 100);
  set(box, "p", `${NAMES[tissue]} (${sure} in 100) or ${other}? The secondary lies towards the cane base. Leave it open where you cannot tell.`);
  set(box, "[data-name=right]", `It is the ${tissue}`);
  set(box, "[data-name=other]", `It is the ${other}`);
}

function drawWhy(card, one) {
  const picture = card.querySelector(".why-picture");
  const address = one.proposal?.pictured ? `/review/cut/${one.proposal.photo_id}/why/${card.dataset.tissue}.jpg?v=${one.version}` : "";
  if (picture.dataset.address !== address) {
    picture.dataset.address = address;
    picture.hidden = !address;
    if (address) {
      picture.src = address;
      picture.alt = `${NAMES[card.dataset.tissue]} alone; hatched where it is browned`;
    }
  }
  const words = one.proposal?.why ?? "";
  set(card, ".why-words", words);
}

async function drawLike(card, bud, tissue, wanted) {
  const box = card.querySelector(".like");
  box.hidden = true;
  if (!wanted || document.body.classList.contains("no-like")) return;
  const key = `${bud} ${tissue}`;
  if (!likes.has(key)) likes.set(key, read(`/review/bud/${bud}/like/${tissue}`).catch(() => null));
  if (likes.size > 60) likes.delete(likes.keys().next().value);
  const found = await likes.get(key);
  const rows = found ? [...found.live, ...found.dead] : [];
  if (!rows.length || card.dataset.bud !== String(bud)) return;
  box.querySelector("ul").replaceChildren(...rows.map((row) => {
    const item = document.createElement("li");
    const picture = Object.assign(document.createElement("img"), {
      src: `/review/cut/${row.photo_id}/why/${tissue}.jpg?v=${row.region_id}`, loading: "lazy",
      alt: `${row.place}: ${tissue} called ${WORDS[row.value]}`,
    });
    const words = Object.assign(document.createElement("span"), { textContent: `${SIGNS[row.value]} ${WORDS[row.value]}` });
    words.className = `state-${row.value}`;
    item.title = row.place;
    item.append(picture, words);
    return item;
  }));
  box.hidden = false;
}

/** Draw the three cards of calls. */
export function drawCards(place, { facts, draft, front, reading, toCall, valueOf }) {
  for (const tissue of Object.keys(NAMES)) {
    let card = place.querySelector(`[data-tissue="${tissue}"]`);
    if (!card) { card = newCard(tissue); place.append(card); }
    const one = facts.tissues[tissue];
    one.version = facts.cuts.find((cut) => cut.photo_id === one.proposal?.photo_id)?.version ?? 0;
    card.dataset.bud = facts.bud.id;
    card.hidden = !toCall.includes(tissue);
    const here = tissue === front;
    card.classList.toggle("front", here);
    card.querySelector(".card-pick").setAttribute("aria-expanded", String(here));
    set(card, ".proposal", proposalWords(tissue, facts, reading));
    const chosen = draft[tissue]?.value;
    const value = valueOf(tissue);
    for (const button of card.querySelectorAll(".calls button")) {
      button.setAttribute("aria-pressed", String(button.dataset.value === value));
      button.classList.toggle("proposed", one.proposal?.confirmable === true && button.dataset.value === one.proposal.value);
    }
    const call = one.call;
    set(card, ".standing", call && !chosen
      ? `Called ${WORDS[call.value]} by ${call.person}${call.cause ? `, ${call.cause.replace("_", " ")}` : ""}${call.note ? `: ${call.note}` : ""}` : "");
    card.querySelector(".settle").replaceChildren(...one.settle.map((row) => {
      const item = document.createElement("li");
      item.className = "chip";
      const again = row.round === "second" ? " (second reading)" : "";
      const note = row.note ? `, “${row.note}”` : "";
      item.textContent = `${row.person}: ${SIGNS[row.value]} ${WORDS[row.value]}${again}${note}`;
      return item;
    }));
    drawName(card, one, reading === "first" && !facts.hidden);
    drawWhy(card, one);
    card.querySelector(".cause").hidden = chosen !== "dead";
    const cause = card.querySelector(".cause select");
    if (document.activeElement !== cause) cause.value = draft[tissue]?.cause ?? "";
    card.querySelector(".note").hidden = !chosen;
    const note = card.querySelector(".note input");
    if (document.activeElement !== note) note.value = draft[tissue]?.note ?? "";
    if (here) drawLike(card, facts.bud.id, tissue, one.proposal?.doubtful && !facts.hidden);
    else card.querySelector(".like").hidden = true;
  }
  place.querySelector(".front")?.scrollIntoView({ block: "nearest" });
}

/** Draw the cane as a strip of its buds. */
export function drawStrip(place, facts, path) {
  const title = Object.assign(document.createElement("p"), { className: "strip-cane", textContent: `Cane ${facts.bud.cane}` });
  const links = facts.strip.map((one) => {
    const link = document.createElement("a");
    const called = Object.entries(one.calls).map(([tissue, value]) => `${tissue} ${WORDS[value]}`).join(", ");
    link.href = path(one.bud_id);
    link.dataset.bud = one.bud_id;
    link.className = `state-${one.state}`;
    link.setAttribute("aria-label", `Node ${one.node}, ${called || STATES[one.state]}`);
    if (one.bud_id === facts.bud.id) link.setAttribute("aria-current", "true");
    const signs = document.createElement("span");
    signs.className = "signs";
    signs.textContent = Object.keys(one.calls).length
      ? Object.keys(NAMES).map((tissue) => SIGNS[one.calls[tissue]] ?? "·").join("")
      : { waiting: "wait", skipped: "skip", no_photo: "none", missing: "gone", partly: "part", done: "ok" }[one.state];
    link.append(String(one.node), signs);
    return link;
  });
  place.replaceChildren(title, ...links);
  const here = place.querySelector("[aria-current]");
  if (here) place.scrollLeft = Math.max(0, here.offsetLeft - place.clientWidth / 2);
}

/** Draw how far the block is. */
export function drawProgress(place, facts, choice) {
  const { n_buds: all, n_called: called, n_waiting: waiting, n_skipped: skipped } = facts.tally;
  const first = `${called} of ${all} called, ${waiting} waiting${skipped ? `, ${skipped} skipped` : ""}`;
  place.textContent = { first, second: `second reading, ${facts.left} left`, settle: `${facts.left} to settle` }[choice.reading];
  place.title = `Sampling ${facts.bud.sampling}`;
}

/** Draw every call ever made of this bud. */
export function drawHistory(list, box, facts) {
  box.hidden = !facts.history.length;
  document.getElementById("whole-history")?.setAttribute("href", `/review/bud/${facts.bud.id}/history`);
  list.replaceChildren(...facts.history.map((row) => {
    const item = document.createElement("li");
    const value = row.value ? WORDS[row.value] : "taken back";
    const how = [row.round === "first" ? "" : row.round, row.blind ? "blind" : ""].filter(Boolean).join(", ");
    item.textContent = `${row.tissue} ${value}, ${row.person}${how ? ` (${how})` : ""}, ${row.at.slice(0, 16).replace("T", " ")} UTC`;
    return item;
  }));
}
