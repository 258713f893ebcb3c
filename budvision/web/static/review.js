// The bud at a time. A proposal is shown, never taken: each tissue is called by one key or click.
// Two kinds of state: `facts`, what the season says of this bud, and `draft`, what the person has
// called on this page and not yet saved.

import { read, send } from "./send.js";
import { CutView, faceAddress } from "./viewer.js";
import { drawCards, drawHistory, drawProgress, drawStrip, NAMES, WORDS } from "./review_parts.js";

const TISSUES = ["primary", "secondary", "tertiary"];
const VALUE_OF_KEY = { l: "live", d: "dead", u: "unsure", n: "not_exposed" };
const at = (id) => document.getElementById(id);

const first = JSON.parse(at("facts").textContent);
const choice = first.choice;
let facts = first.facts;
let draft = {};
let front = "primary";
let views = [];
let tone = "shot";
let busy = false;
let revealed = null;
let told = "";                     // what the last save had to say, shown until the next one
let pending = Promise.resolve();  // saves on their way, one after the other
const saved = new Set();          // buds saved on this page, which the lists fetched before still name
const ready = new Map();

// ---- addresses and memory ---------------------------------------------------------------------

const ask = () => new URLSearchParams(choice).toString();
const path = (bud, what = "") => `/review/bud/${bud}${what}?${ask()}`;
// Drafts and the way back are a person's own: the next one at this screen must not find them.
const who = first.facts.person;
const kept = (bud) => `draft of ${who}: ${bud} ${choice.reading}`;
const trail = () => JSON.parse(sessionStorage.getItem(`trail of ${who}`) ?? "[]");
const saveTrail = (rows) => sessionStorage.setItem(`trail of ${who}`, JSON.stringify(rows.slice(-200)));

function keepDraft() {
  if (Object.keys(draft).length) sessionStorage.setItem(kept(facts.bud.id), JSON.stringify(draft));
  else sessionStorage.removeItem(kept(facts.bud.id));
}

// ---- what is in front ---------------------------------------------------------------------------

const toCall = () => (choice.reading === "settle" ? facts.to_settle : TISSUES);
const valueOf = (tissue) => draft[tissue]?.value
  ?? (choice.reading === "settle" ? undefined : facts.tissues[tissue].call?.value);
const open = () => toCall().filter((tissue) => !valueOf(tissue));
const whole = () => open().length === 0;
const bestCut = () => {
  const proposal = facts.tissues[front].proposal;
  if (proposal) return facts.cuts.findIndex((cut) => cut.cut === proposal.cut);
  return facts.cuts.length - 1;
};

const nextBud = () => facts.next.find((bud) => choice.show !== "waiting" || !saved.has(bud));

const touch = matchMedia("(pointer: coarse)").matches;

function hint() {
  return touch ? hintForTouch() : hintForKeys();
}

function hintForTouch() {
  if (revealed) return `${differences()}. Keep yours, or change the call.`;
  if (whole()) return Object.keys(draft).length ? "All called. Save the bud." : "Called already.";
  const proposal = facts.tissues[front].proposal;
  if (choice.reading !== "settle" && !valueOf(front) && proposal?.confirmable) {
    return `Tap the dashed call to confirm ${front} ${WORDS[proposal.value]}.`;
  }
  return `Call the ${open()[0]}.`;
}

function differences() {
  return revealed.filter((one) => one.differs)
    .map((one) => `${NAMES[one.tissue]}: you said ${WORDS[one.called]}, the program says ${WORDS[one.proposed]}`)
    .join("; ");
}

function hintForKeys() {
  if (revealed) {
    return `${differences()}. Space keeps your calls; L, D, U or N changes the one in front.`;
  }
  if (whole()) return Object.keys(draft).length ? "Space or Enter: save and go on." : "Called already. Space: go on.";
  const proposal = facts.tissues[front].proposal;
  if (valueOf(front)) return `${NAMES[front]} is called. Space: to the ${open()[0]}.`;
  if (choice.reading === "settle") return `${NAMES[front]}: settle it with L, D, U or N.`;
  if (proposal?.confirmable) return `Space: confirm ${front} ${WORDS[proposal.value]}.`;
  return `${NAMES[front]}: call it with L, D, U or N.`;
}

function say(text) {
  const box = at("notice");
  box.textContent = text;
  box.hidden = !text;
}

// ---- drawing --------------------------------------------------------------------------------------

function drawStage() {
  const stage = at("stage");
  stage.replaceChildren();
  stage.toggleAttribute("data-cuts", facts.cuts.length > 1);
  views = facts.cuts.map((cut) => {
    const figure = document.createElement("figure");
    figure.className = "cut";
    const named = Object.keys(cut.outlines).join(", ");
    const view = new CutView(cut, {
      tone, label: `Cut ${cut.cut}${named ? `, outlined: ${named}` : ""}`,
    });
    const caption = document.createElement("figcaption");
    const title = document.createElement("span");
    title.className = "cut-title";
    caption.append(title);
    if (cut.drawn_by_person) caption.append(Object.assign(document.createElement("span"), { textContent: "outlines corrected by hand" }));
    if (!facts.hidden && choice.reading === "first") {
      const link = document.createElement("a");
      link.href = `/review/cut/${cut.photo_id}/outlines?back=${encodeURIComponent(path(facts.bud.id))}`;
      link.textContent = "correct outlines";
      link.setAttribute("aria-label", `Correct the outlines of cut ${cut.cut}`);
      caption.append(link);
    }
    for (const reason of cut.reasons) {
      caption.append(Object.assign(document.createElement("p"), { className: "reason", textContent: reason }));
    }
    if (!cut.judged) caption.append(Object.assign(document.createElement("p"), { className: "reason", textContent: "No proposal yet." }));
    figure.append(view.svg, caption);
    stage.append(figure);
    return { view, figure, title, cut };
  });
  if (!views.length) {
    stage.append(Object.assign(document.createElement("p"), { className: "empty-stage", textContent: "No photograph of this bud yet." }));
  }
}

function drawFront() {
  const best = bestCut();
  views.forEach(({ view, figure, title, cut }, index) => {
    view.front(front);
    figure.classList.toggle("best", index === best);
    const shows = TISSUES.filter((tissue) => facts.tissues[tissue].proposal?.cut === cut.cut);
    title.textContent = `Cut ${cut.cut}${shows.length && facts.cuts.length > 1 ? `, best for ${shows.join(" and ")}` : ""}`;
  });
  views[best]?.figure.scrollIntoView({ block: "nearest", inline: "nearest" });
}

function drawCalls() {
  drawCards(at("cards"), { facts, draft, front, reading: choice.reading, toCall: toCall(), valueOf });
  at("hint").textContent = hint();
  const save = at("save");
  save.textContent = revealed ? "Keep mine" : whole() && !Object.keys(draft).length ? "Go on" : "Save bud";
  save.disabled = !whole();
  at("undo").disabled = !Object.keys(draft).length && !trail().length;
}

function draw() {
  const { bud } = facts;
  at("place").textContent = `${bud.block}, cane ${bud.cane}${bud.vine ? ` (vine ${bud.vine})` : ""}, node ${bud.node}`;
  document.title = `${at("place").textContent} · review`;
  drawProgress(at("progress"), facts, choice);
  drawStrip(at("strip"), facts, path);
  drawStage();
  drawFront();
  drawCalls();
  drawHistory(at("history"), at("past"), facts);
  sayOpen();
}

function sayOpen() {
  const also = facts.open_by ? `${facts.open_by} has this bud open as well. If you both save, both calls are kept.` : "";
  say([told, also].filter(Boolean).join(" "));
}

function bring(tissue) {
  if (!toCall().includes(tissue)) return;
  front = tissue;
  drawFront();
  drawCalls();
}

// ---- going from bud to bud -----------------------------------------------------------------------

function settleIn(next) {
  facts = next;
  revealed = null;
  draft = JSON.parse(sessionStorage.getItem(kept(facts.bud.id)) ?? "{}");
  front = open()[0] ?? toCall()[0] ?? "primary";
  draw();
}

async function fetchBud(bud) {
  const next = await read(path(bud, "/facts"));
  await Promise.all(next.cuts.map(async (cut) => {
    const picture = new Image();
    picture.src = faceAddress(cut, tone);
    try { await picture.decode(); } catch { /* the page shows the gap */ }
  }));
  return next;
}

function fetchAhead() {
  for (const bud of facts.next.slice(0, 2)) {
    if (!ready.has(bud)) {
      const coming = { facts: null };
      ready.set(bud, coming);
      coming.promise = fetchBud(bud).then((got) => { coming.facts = got; return got; })
        .catch(() => { ready.delete(bud); return null; });
    }
  }
  for (const bud of ready.keys()) {
    if (ready.size > 6 && !facts.next.includes(bud)) ready.delete(bud);
  }
}

/** Tell the season that this bud is open here, and take in what has changed since it was fetched. */
async function takeIn(bud) {
  try {
    await pending;
    await send(path(bud, "/open"));
    const fresh = await read(path(bud, "/facts"));
    if (facts.bud.id !== bud) return;
    const changed = fresh.seen !== facts.seen;
    const keep = ["strip", "tally", "next", "left", "open_by"];
    if (changed) {
      facts = fresh;
      draw();
    } else {
      for (const name of keep) facts[name] = fresh[name];
      drawProgress(at("progress"), facts, choice);
      drawStrip(at("strip"), facts, path);
      if (facts.open_by) sayOpen();
    }
    fetchAhead();
  } catch (error) {
    say(error.message);
  }
}

async function go(bud, { since = performance.now(), push = true, fresh = null } = {}) {
  if (!bud) {
    await pending;
    location.href = `/review/sampling/${facts.bud.sampling_id}?${ask()}`;
    return;
  }
  const coming = ready.get(bud);
  const next = coming?.facts ?? (coming ? await coming.promise : null) ?? await fetchBud(bud);
  ready.delete(bud);
  if (fresh) {  // fetched ahead of the last save: the counts and the strip come with its answer
    next.tally = fresh.tally;
    next.left = fresh.left;
    if (fresh.strip.some((one) => one.bud_id === bud)) next.strip = fresh.strip;
  }
  settleIn(next);
  if (push) history.pushState({ bud }, "", path(bud));
  requestAnimationFrame(() => requestAnimationFrame(() => {
    document.body.dataset.nextMs = (performance.now() - since).toFixed(1);
    document.body.dataset.bud = bud;
  }));
  takeIn(bud);
}

// ---- calling ----------------------------------------------------------------------------------------

function call(tissue, value) {
  if (!toCall().includes(tissue)) return;
  draft[tissue] = { cause: "", note: "", ...draft[tissue], value, order: Date.now() };
  if (value !== "dead") draft[tissue].cause = "";
  keepDraft();
  const later = open();
  front = later.find((one) => TISSUES.indexOf(one) > TISSUES.indexOf(tissue)) ?? later[0] ?? tissue;
  drawFront();
  drawCalls();
}

function confirmFront(since) {
  if (revealed || whole()) return saveAndGo(since);
  if (valueOf(front)) return bring(open()[0]);
  const proposal = facts.tissues[front].proposal;
  if (choice.reading === "settle" || !proposal?.confirmable) {
    at("hint").textContent = `${NAMES[front]} has nothing to confirm: press L, D, U or N.`;
    return undefined;
  }
  return call(front, proposal.value);
}

function post(here, calls, seen) {
  const body = Object.fromEntries(Object.entries(calls).map(([tissue, one]) => [tissue, {
    value: one.value, cause: one.cause, note: one.note,
  }]));
  return send(path(here, "/calls"), { calls: body, seen });
}

function wasSaved(here, done) {
  saveTrail([...trail(), { batch: done.batch, bud: here }]);
  saved.add(here);
  sessionStorage.removeItem(kept(here));
  told = done.message;
  if (told) sayOpen();
}

/** Save while the next bud, fetched ahead, is shown already; come back if it was not saved. */
function saveBehind(here, since) {
  const calls = draft;
  const next = nextBud();
  const seen = facts.seen;
  draft = {};
  saved.add(here);
  document.body.dataset.saving = Number(document.body.dataset.saving ?? 0) + 1;
  pending = pending.then(async () => {
    try {
      const done = await post(here, calls, seen);
      wasSaved(here, done);
      if (facts.bud.id !== here) {
        facts.tally = done.tally;
        if (done.strip.some((one) => one.bud_id === facts.bud.id)) facts.strip = done.strip;
        drawProgress(at("progress"), facts, choice);
        drawStrip(at("strip"), facts, path);
        drawCalls();
        // somebody else has taken the next bud since: pass it by, unless it was begun
        const taken = facts.bud.id === next && choice.show === "waiting" && !done.next.includes(next);
        if (taken && done.next.length && !Object.keys(draft).length) await go(done.next[0]);
      }
    } catch (error) {
      saved.delete(here);
      ready.delete(here);
      told = `Not saved: ${error.message} Your calls are still here.`;
      go(here);
    } finally {
      document.body.dataset.saving = Number(document.body.dataset.saving) - 1;
    }
  });
  return go(next, { since });
}

async function saveAndGo(since = performance.now()) {
  if (busy) return;
  if (!whole()) {
    at("hint").textContent = `The ${open().join(" and ")} ${open().length > 1 ? "are" : "is"} not called yet.`;
    return;
  }
  const here = facts.bud.id;
  busy = true;
  told = "";
  try {
    if (!Object.keys(draft).length) {
      await go(nextBud(), { since });
      return;
    }
    if (choice.reading === "first" && !facts.hidden && ready.get(nextBud())?.facts) {
      await saveBehind(here, since);
      return;
    }
    await pending;
    const done = await post(here, draft, facts.seen);
    wasSaved(here, done);
    draft = {};
    if (done.revealed.some((one) => one.differs)) {
      const fresh = await fetchBud(here);
      settleIn(fresh);
      facts.next = done.next;
      revealed = done.revealed;
      front = revealed.find((one) => one.differs).tissue;
      drawFront();
      drawCalls();
      fetchAhead();
    } else {
      await go(done.next[0], { since, fresh: done });
    }
  } catch (error) {
    say(error.message);
  } finally {
    busy = false;
  }
}

async function takeBack() {
  const last = Object.entries(draft).sort((a, b) => a[1].order - b[1].order).pop();
  if (last) {
    delete draft[last[0]];
    keepDraft();
    bring(last[0]);
    return;
  }
  await pending;
  const rows = trail();
  const batch = rows.pop();
  if (!batch || busy) {
    at("hint").textContent = "There is nothing of yours to take back.";
    return;
  }
  busy = true;
  try {
    saved.delete(batch.bud);
    const done = await send("/review/undo", { batch: batch.batch });
    saveTrail(rows);
    ready.delete(done.bud_id);
    told = "Taken back. The earlier rows stay in the record.";
    await go(done.bud_id);
  } catch (error) {
    saveTrail(rows);
    say(error.message);
  } finally {
    busy = false;
  }
}

async function skipBud() {
  if (busy) return;
  busy = true;
  try {
    const done = await send(path(facts.bud.id, "/skip"), { on: !facts.skipped });
    await go(done.next[0]);
  } catch (error) {
    say(error.message);
  } finally {
    busy = false;
  }
}

function previous() {
  const index = facts.strip.findIndex((one) => one.bud_id === facts.bud.id);
  if (index > 0) go(facts.strip[index - 1].bud_id);
  else history.back();
}

// ---- looking ------------------------------------------------------------------------------------------

const inFront = () => views[Math.max(0, bestCut())]?.view;

function setTone() {
  tone = tone === "shot" ? "even" : "shot";
  at("tone").setAttribute("aria-pressed", String(tone === "even"));
  for (const { view } of views) view.setTone(tone);
}

function setLines() {
  const shown = !at("stage").classList.toggle("no-lines");
  at("lines").setAttribute("aria-pressed", String(shown));
}

function keyDown(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || at("keys").open) return;
  const target = event.target;
  if (target.matches("input:not([type=checkbox]), select, textarea")) {
    if (event.key === "Escape" || (event.key === "Enter" && target.matches("input"))) target.blur();
    return;
  }
  const own = target.closest("a, summary, button");
  const calling = !own || own.matches(".calls button, .card-pick, #save");
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const since = performance.now();
  const view = inFront();
  if (event.shiftKey && key.startsWith("Arrow") && view) {
    const step = view.at.w * 0.12;
    view.move(...{ ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[key]);
    event.preventDefault();
    return;
  }
  if (key === "h") { at("stage").classList.add("hide-lines"); return; }
  if (key === "+" || key === "=") { view?.zoom(1.4); return; }
  if (key === "-") { view?.zoom(1 / 1.4); return; }
  if (event.repeat) { if (key === " ") event.preventDefault(); return; }  // a held key calls nothing twice
  if (key === " " && calling) { event.preventDefault(); confirmFront(since); return; }
  if (key === "Enter" && !target.matches("a, button, summary")) { event.preventDefault(); saveAndGo(since); return; }
  const plain = {
    Backspace: takeBack, ArrowLeft: previous, ArrowRight: () => go(nextBud(), { since }),
    ArrowDown: () => bring(toCall()[Math.min(toCall().length - 1, toCall().indexOf(front) + 1)]),
    ArrowUp: () => bring(toCall()[Math.max(0, toCall().indexOf(front) - 1)]),
    0: () => view?.reset(),
  };
  const letters = {
    s: skipBud, w: setTone, f: () => at("stage").classList.toggle("one"),
    c: () => at("cards").querySelector(".front .cause select")?.focus(),
    t: () => at("cards").querySelector(".front .note input")?.focus(),
    r: () => { document.body.classList.toggle("no-like"); drawCalls(); },
    e: () => views[Math.max(0, bestCut())]?.figure.querySelector("figcaption a")?.click(),
    "?": () => at("keys").showModal(),
    1: () => bring("primary"), 2: () => bring("secondary"), 3: () => bring("tertiary"),
  };
  let act = plain[key];
  if (!act && at("keys-on").checked) {
    act = key in VALUE_OF_KEY ? () => { revealed = null; call(front, VALUE_OF_KEY[key]); } : letters[key];
  }
  if (!act) return;
  event.preventDefault();
  act();
}

// ---- wiring ---------------------------------------------------------------------------------------------

document.addEventListener("keydown", keyDown);
// A button pressed by mouse or finger lets go of the focus, so that the next Space calls a tissue.
document.addEventListener("click", (event) => { if (event.detail) event.target.closest("button")?.blur(); });
document.addEventListener("keyup", (event) => {
  if (event.key.toLowerCase() === "h") at("stage").classList.remove("hide-lines");
});
window.addEventListener("blur", () => at("stage").classList.remove("hide-lines"));
at("cards").addEventListener("click", (event) => {
  const card = event.target.closest("[data-tissue]");
  const button = event.target.closest("[data-value]");
  if (!card) return;
  if (button) { revealed = null; call(card.dataset.tissue, button.dataset.value); }
  else if (event.target.closest(".card-pick")) bring(card.dataset.tissue);
});
at("cards").addEventListener("input", (event) => {
  const tissue = event.target.closest("[data-tissue]")?.dataset.tissue;
  if (!tissue || !draft[tissue]) return;
  if (event.target.matches("select")) draft[tissue].cause = event.target.value;
  else draft[tissue].note = event.target.value;
  keepDraft();
});
at("save").addEventListener("click", () => saveAndGo());
at("undo").addEventListener("click", takeBack);
at("skip").addEventListener("click", skipBud);
at("previous").addEventListener("click", previous);
at("next").addEventListener("click", () => go(nextBud()));
at("tone").addEventListener("click", setTone);
at("lines").addEventListener("click", setLines);
at("keys-open").addEventListener("click", () => at("keys").showModal());
at("keys-on").checked = localStorage.getItem("letters") !== "off";
at("keys-on").addEventListener("change", (event) => localStorage.setItem("letters", event.target.checked ? "on" : "off"));
for (const name of ["order", "show"]) {
  at(name).addEventListener("change", (event) => {
    choice[name] = event.target.value;
    location.href = `/review/sampling/${facts.bud.sampling_id}?${ask()}`;
  });
}
at("strip").addEventListener("click", (event) => {
  const link = event.target.closest("a[data-bud]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  go(Number(link.dataset.bud));
});
window.addEventListener("popstate", (event) => {
  if (event.state?.bud) go(event.state.bud, { push: false });
});
setInterval(() => { if (!document.hidden) send(path(facts.bud.id, "/open")).catch(() => {}); }, 120_000);

history.replaceState({ bud: facts.bud.id }, "", path(facts.bud.id));
settleIn(facts);
document.body.dataset.bud = facts.bud.id;
takeIn(facts.bud.id);
