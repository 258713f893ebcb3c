// The keys of the review page. One key calls one tissue; a held key does nothing twice.

const at = (id) => document.getElementById(id);
const VALUES = { l: "live", d: "dead", u: "unsure", n: "not_exposed" };
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function letterActs(acts) {
  return {
    y: () => acts.name(true), x: () => acts.name(false),
    ",": () => acts.cut(-1), ".": () => acts.cut(1),
    s: acts.skip, w: acts.tone, r: acts.alike, e: acts.correct,
    f: () => at("stage").classList.toggle("side"),
    c: () => at("cards").querySelector(".front .cause select")?.focus(),
    t: () => at("cards").querySelector(".front .note input")?.focus(),
    "?": () => at("keys").showModal(),
    1: () => acts.bring("primary"), 2: () => acts.bring("secondary"), 3: () => acts.bring("tertiary"),
  };
}

function look(event, key, view) {
  if (event.shiftKey && ARROWS[key] && view) {
    const step = view.at.w * 0.12;
    view.move(ARROWS[key][0] * step, ARROWS[key][1] * step);
    return true;
  }
  if (key === "+" || key === "=") { view?.zoom(1.4); return true; }
  if (key === "-") { view?.zoom(1 / 1.4); return true; }
  if (key === "h" && at("keys-on").checked) { at("stage").classList.add("hide-lines"); return true; }
  return false;
}

/** Listen for keys and do the page's acts. */
export function listenForKeys(acts) {
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || at("keys").open) return;
    const target = event.target;
    if (target.matches("[type=range]") && event.key.startsWith("Arrow")) return;
    if (target.matches("input:not([type=checkbox], [type=range]), select, textarea")) {
      if (event.key === "Escape" || (event.key === "Enter" && target.matches("input"))) target.blur();
      return;
    }
    const since = performance.now();
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if (look(event, key, acts.view())) { event.preventDefault(); return; }
    const own = target.closest("a, summary, button");
    const calling = !own || own.matches(".calls button, .card-pick, #save");
    if (event.repeat) { if (key === " " && calling) event.preventDefault(); return; }
    const plain = {
      Backspace: acts.takeBack, ArrowLeft: acts.previous, ArrowRight: () => acts.next(since),
      ArrowDown: () => acts.step(1), ArrowUp: () => acts.step(-1), 0: () => acts.view()?.reset(),
    };
    if (calling) plain[" "] = () => acts.confirm(since);
    if (!own) plain.Enter = () => acts.save(since);
    let act = plain[key];
    if (!act && at("keys-on").checked) {
      act = key in VALUES ? () => acts.call(VALUES[key]) : letterActs(acts)[key];
    }
    if (!act) return;
    event.preventDefault();
    act();
  });
  document.addEventListener("keyup", (event) => {
    if (event.key.toLowerCase() === "h") at("stage").classList.remove("hide-lines");
  });
  window.addEventListener("blur", () => at("stage").classList.remove("hide-lines"));
}
