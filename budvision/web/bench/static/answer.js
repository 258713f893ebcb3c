// Shows the answer to a photograph: its picture, what is seen on it, what to do.

import { spoken } from "/static/language.js";

const $ = (id) => document.getElementById(id);
const WORDS = {
  good: `✓ ${spoken("good")}`, look_yourself: `? ${spoken("look yourself")}`, take_again: `✗ ${spoken("take it again")}`,
};
const make = (tag, properties) => Object.assign(document.createElement(tag), properties);

function chips(answer) {
  if (!answer) return [];
  const chip = (text, yes) => make("li", { textContent: text, className: yes ? "yes" : "no" });
  const tissues = Object.entries(answer.seen).map(([tissue, here]) => {
    const before = answer.seen_before.includes(tissue);
    const verdict = answer.verdicts[tissue] ? `, ${spoken(answer.verdicts[tissue])}` : "";
    return chip(`${here ? "✓" : before ? `✓ ${spoken("before:")}` : "–"} ${spoken(tissue)}${verdict}`, here || before);
  });
  return [chip(WORDS[answer.answer], answer.answer === "good"), ...tissues];
}

const placeWords = (place) => spoken("cane {cane} · node {node} · cut {cut}", place);

/** Show that a photograph has no answer yet; that of the one before goes. */
export function drawUnanswered(item) {
  $("bench-answer").hidden = false;
  $("bench-answer").className = "bench-answer answer-none";
  $("bench-picture").hidden = true;
  $("bench-chips").replaceChildren();
  $("bench-details").replaceChildren();
  $("bench-of").textContent = placeWords(item);
  for (const name of ["bench-deeper", "bench-again"]) $(name).classList.remove("suggested");
}

/** Draw the answer that came for a photograph taken at this place. */
export function drawAnswer(item, body, picture) {
  const answer = body.answer;
  const box = $("bench-answer");
  box.hidden = false;
  $("bench-hold").open = false;
  box.className = `bench-answer answer-${answer?.answer ?? "none"}`;
  $("bench-picture").src = picture;
  $("bench-picture").hidden = false;
  $("bench-headline").textContent = answer ? answer.headline : spoken("Kept. There is no model here to look at it.");
  $("bench-chips").replaceChildren(...chips(answer));
  const details = [...(answer?.details ?? []), ...body.remarks];
  $("bench-details").replaceChildren(...details.map((text) => make("li", { textContent: text })));
  $("bench-of").textContent = placeWords({ cane: item.cane, node: item.node, cut: body.cut });
  $("bench-deeper").classList.toggle("suggested", answer?.next === "deeper");
  $("bench-again").classList.toggle("suggested", answer?.next === "retake");
}

/** Show the photograph as large as it can be, with what is doubted framed; a person decides. */
export function askToLook(answer, { cane, node, cut }, { good, again }) {
  $("bench-look-picture").src = $("bench-picture").src;
  $("bench-look-why").replaceChildren(...answer.details.map((text) => make("p", { textContent: text })));
  $("bench-look-of").textContent = placeWords({ cane, node, cut });
  $("bench-look-good").onclick = () => { $("bench-look").close(); good(); };
  $("bench-look-again").onclick = () => { $("bench-look").close(); again(); };
  $("bench-look").showModal();
}
