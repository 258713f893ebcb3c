// The notice of the bench: what was refused and what may be done with it, or what is kept and why.

import { spoken, spokenN } from "/static/language.js";

/** Draw it, or hide it where there is nothing to say. `choicesFor(refused)` gives a word and a deed each. */
export function drawNotice(box, { text, away, waiting, choicesFor }) {
  const refused = waiting.find((item) => item.refused);
  box.hidden = !(text || refused || (waiting.length && away));
  box.replaceChildren();
  if (refused) {
    box.append(`${spoken("Cane {cane} node {node} cut {cut}: {refused}", refused)} `, ...choicesFor(refused).map(button));
  } else if (text || away) {
    box.textContent = text || whyKept(away, waiting.length);
  }
}

function button([word, deed]) {
  const made = Object.assign(document.createElement("button"), { type: "button", className: "button bench-big", textContent: word });
  made.addEventListener("click", deed);
  return made;
}

function whyKept(away, n) {
  if (away === "nobody") return spoken("Nobody is logged in. Open the first page and give your name; what is kept here is sent after that.");
  if (away !== "network") return away;
  return spokenN(
    "{n} picture or mark is kept in this browser and will be sent when the network is back.",
    "{n} pictures or marks are kept in this browser and will be sent when the network is back.", n);
}
