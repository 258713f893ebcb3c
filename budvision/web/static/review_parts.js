// Parts of the review page that are drawn from facts: cards, strip, progress, history.

import { spoken } from "./language.js";
import { read } from "./send.js";

export const NAMES = { primary: spoken("Primary"), secondary: spoken("Secondary"), tertiary: spoken("Tertiary") };
export const WORDS = {
  live: spoken("live"), dead: spoken("dead"), unsure: spoken("unsure"), not_exposed: spoken("not exposed"),
};
export const SIGNS = { live: "●", dead: "✕", unsure: "?", not_exposed: "–" };
const KEYS = { live: "L", dead: "D", unsure: "U", not_exposed: "N" };
const STATES = {
  done: spoken("called"), waiting: spoken("waiting"), skipped: spoken("skipped"), no_photo: spoken("no photograph"),
  partly: spoken("called in part"), missing: spoken("no bud"),
};
/** What has room in the strip. */
const SHORT = {
  done: spoken("ok"), waiting: spoken("wait"), skipped: spoken("skip"), no_photo: spoken("no photo"),
  partly: spoken("part"), missing: spoken("gone"),
};
const ROUNDS = { second: spoken("second reading"), settled: spoken("settled") };
const likes = new Map();

const set = (parent, selector, text) => { parent.querySelector(selector).textContent = text; };

function proposalWords(tissue, { tissues, hidden, trial }, reading) {
  const one = tissues[tissue];
  if (reading === "second") return spoken("second reading: nothing shown");
  if (reading === "settle") return spoken("to be settled");
  if (hidden) return trial ? spoken("on trial: proposal hidden") : spoken("called blind: proposal hidden");
  if (!one.proposal) return spoken("no proposal");
  const value = one.proposal.value;
  const other = one.proposal.other_name;
  const name = other ? spoken("; {tissue} or {other}?", { tissue: spoken(tissue), other: spoken(other) }) : "";
  if (value === "unsure") return `${spoken("the program is unsure")}${one.proposal.sure ? `, ${one.proposal.sure}` : ""}${name}`;
  if (value === "not_exposed") {
    const alone = Object.keys(NAMES).find((name) => tissues[name].proposal?.other_name === tissue);
    return alone ? spoken("proposed – not exposed, if the other is the {tissue}", { tissue: spoken(alone) }) : spoken("proposed – not exposed");
  }
  return `${spoken("proposed {sign} {value}", { sign: SIGNS[value], value: WORDS[value] })}, ${one.proposal.sure}${name}`;
}

function newCard(tissue) {
  const card = document.getElementById("card").content.firstElementChild.cloneNode(true);
  card.dataset.tissue = tissue;
  card.classList.add(`card-${tissue}`);
  set(card, ".letter", tissue[0].toUpperCase());
  set(card, ".card-name", NAMES[tissue]);
  const calls = card.querySelector(".calls");
  calls.setAttribute("aria-label", spoken("Call the {tissue}", { tissue: spoken(tissue) }));
  for (const value of Object.keys(WORDS)) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.value = value;
    button.setAttribute("aria-label", `${NAMES[tissue]} ${WORDS[value]}`);
    button.setAttribute("aria-keyshortcuts", KEYS[value]);
    button.title = spoken("{value}: key {key}", { value: WORDS[value], key: KEYS[value] });
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
  set(box, "p", spoken("{tissue} ({sure} in 100) or {other}? The secondary lies towards the cane base. Leave it open where you cannot tell.", {
    tissue: NAMES[tissue], sure, other: spoken(other),
  }));
  set(box, "[data-name=right]", spoken("It is the {tissue}", { tissue: spoken(tissue) }));
  set(box, "[data-name=other]", spoken("It is the {tissue}", { tissue: spoken(other) }));
}

function drawWhy(card, one) {
  const picture = card.querySelector(".why-picture");
  const address = one.proposal?.pictured ? `/review/cut/${one.proposal.photo_id}/why/${card.dataset.tissue}.jpg?v=${one.version}` : "";
  if (picture.dataset.address !== address) {
    picture.dataset.address = address;
    picture.hidden = !address;
    if (address) {
      picture.src = address;
      picture.alt = spoken("{tissue} alone; hatched where it is browned", { tissue: NAMES[card.dataset.tissue] });
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
      ? [
        spoken("Called {value} by {person}", { value: WORDS[call.value], person: call.person }),
        call.cause && `, ${spoken(call.cause.replace("_", " "))}`, call.note && `: ${call.note}`,
      ].filter(Boolean).join("") : "");
    card.querySelector(".settle").replaceChildren(...one.settle.map((row) => {
      const item = document.createElement("li");
      item.className = "chip";
      const again = row.round === "second" ? ` (${spoken("second reading")})` : "";
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
  const title = Object.assign(document.createElement("p"), { className: "strip-cane", textContent: spoken("Cane {cane}", { cane: facts.bud.cane }) });
  const links = facts.strip.map((one) => {
    const link = document.createElement("a");
    const called = Object.entries(one.calls).map(([tissue, value]) => `${spoken(tissue)} ${WORDS[value]}`).join(", ");
    link.href = path(one.bud_id);
    link.dataset.bud = one.bud_id;
    link.className = `state-${one.state}`;
    link.setAttribute("aria-label", spoken("Node {node}, {state}", { node: one.node, state: called || STATES[one.state] }));
    if (one.bud_id === facts.bud.id) link.setAttribute("aria-current", "true");
    const signs = document.createElement("span");
    signs.className = "signs";
    signs.textContent = Object.keys(one.calls).length
      ? Object.keys(NAMES).map((tissue) => SIGNS[one.calls[tissue]] ?? "·").join("")
      : SHORT[one.state];
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
  const first = skipped
    ? spoken("{called} of {all} called, {waiting} waiting, {skipped} skipped", { called, all, waiting, skipped })
    : spoken("{called} of {all} called, {waiting} waiting", { called, all, waiting });
  place.textContent = {
    first,
    second: spoken("second reading, {n} left", { n: facts.left }),
    settle: spoken("{n} to settle", { n: facts.left }),
  }[choice.reading];
  place.title = spoken("Sampling {sampling}", { sampling: facts.bud.sampling });
}

/** Draw every call ever made of this bud. */
export function drawHistory(list, box, facts) {
  box.hidden = !facts.history.length;
  document.getElementById("whole-history")?.setAttribute("href", `/review/bud/${facts.bud.id}/history`);
  list.replaceChildren(...facts.history.map((row) => {
    const item = document.createElement("li");
    const value = row.value ? WORDS[row.value] : spoken("taken back");
    const how = [ROUNDS[row.round], row.blind ? spoken("blind") : ""].filter(Boolean).join(", ");
    item.textContent = `${spoken(row.tissue)} ${value}, ${row.person}${how ? ` (${how})` : ""}, ${row.at.slice(0, 16).replace("T", " ")} UTC`;
    return item;
  }));
}
