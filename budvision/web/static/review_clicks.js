// Buttons, cards, lists and the strip of the review page: what a mouse or a finger does.

const at = (id) => document.getElementById(id);

function listenOnCards(acts) {
  at("cards").addEventListener("click", (event) => {
    const card = event.target.closest("[data-tissue]");
    const button = event.target.closest("[data-value]");
    if (!card) return;
    const name = event.target.closest("[data-name]");
    if (button) acts.call(card.dataset.tissue, button.dataset.value);
    else if (name) acts.name(name.dataset.name === "right");
    else if (event.target.closest(".card-pick")) acts.bring(card.dataset.tissue);
  });
  at("cards").addEventListener("input", (event) => {
    const tissue = event.target.closest("[data-tissue]")?.dataset.tissue;
    if (tissue) acts.add(tissue, event.target.matches("select") ? "cause" : "note", event.target.value);
  });
}

/** Listen for clicks and do the page's acts. */
export function listenForClicks(acts) {
  // A button pressed by mouse or finger lets go of the focus, so that the next Space calls a tissue.
  document.addEventListener("click", (event) => { if (event.detail) event.target.closest("button")?.blur(); });
  listenOnCards(acts);
  at("save").addEventListener("click", () => acts.save());
  at("undo").addEventListener("click", acts.takeBack);
  at("skip").addEventListener("click", acts.skip);
  at("no-bud").addEventListener("click", acts.noBud);
  at("previous").addEventListener("click", acts.previous);
  at("next").addEventListener("click", acts.next);
  at("tone").addEventListener("click", acts.tone);
  at("cut-slider").addEventListener("input", (event) => acts.cut(Number(event.target.value) - 1));
  at("lines").addEventListener("click", () => {
    const shown = !at("stage").classList.toggle("no-lines");
    at("lines").setAttribute("aria-pressed", String(shown));
  });
  at("unsaved").querySelector("button").addEventListener("click", acts.send);
  at("keys-open").addEventListener("click", () => at("keys").showModal());
  at("keys-on").checked = localStorage.getItem("letters") !== "off";
  at("keys-on").addEventListener("change", (event) => localStorage.setItem("letters", event.target.checked ? "on" : "off"));
  for (const name of ["order", "show"]) {
    at(name).addEventListener("change", (event) => acts.choose(name, event.target.value));
  }
  at("strip").addEventListener("click", (event) => {
    const link = event.target.closest("a[data-bud]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    acts.open(Number(link.dataset.bud));
  });
}
