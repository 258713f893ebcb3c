// The bud at a time. A proposal is shown, never taken: each tissue is called by one key or click.
// Two kinds of state: `facts`, what the season says of this bud, and `draft`, what the person has
// called on this page and not yet saved.

import { read, send } from "./send.js";
import { Ahead } from "./review_ahead.js";
import { hint } from "./review_hints.js";
import { listenForKeys } from "./review_keys.js";
import { buildStage } from "./review_stage.js";
import { drawCards, drawHistory, drawProgress, drawStrip, NAMES, WORDS } from "./review_parts.js";

const TISSUES = ["primary", "secondary", "tertiary"];
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

// crypto.randomUUID is missing where a lab serves without HTTPS
const newBatch = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");

// ---- addresses and memory ---------------------------------------------------------------------

const ask = () => new URLSearchParams(choice).toString();
const path = (bud, what = "") => `/review/bud/${bud}${what}?${ask()}`;
// Drafts and the way back are a person's own: the next one at this screen must not find them.
const who = first.facts.person;
const kept = (bud) => `draft of ${who}: ${bud} ${choice.reading}`;
const trail = () => JSON.parse(sessionStorage.getItem(`trail of ${who}`) ?? "[]");
const saveTrail = (rows) => sessionStorage.setItem(`trail of ${who}`, JSON.stringify(rows.slice(-200)));

const ahead = new Ahead((bud) => path(bud, "/facts"), () => tone);

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

function say(text) {
  const box = at("notice");
  box.textContent = text;
  box.hidden = !text;
}

// ---- drawing --------------------------------------------------------------------------------------

function drawStage() {
  views = buildStage(at("stage"), {
    facts, tone, back: path(facts.bud.id), correcting: !facts.hidden && choice.reading === "first",
  });
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
  at("hint").textContent = hint({ facts, front, revealed, settling: choice.reading === "settle", drafted: Object.keys(draft).length > 0, called: Boolean(valueOf(front)), open: open() });
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
    ahead.gather(facts.next);
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
  const next = await ahead.take(bud);
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

/** What goes with the calls: what this page had seen and shown, and a name so that twice counts once. */
const saving = () => ({ seen: facts.seen, shown: facts.shown, batch: newBatch() });

function post(here, calls, { seen, shown, batch }) {
  const body = Object.fromEntries(Object.entries(calls).map(([tissue, one]) => [tissue, {
    value: one.value, cause: one.cause, note: one.note,
  }]));
  return send(path(here, "/calls"), { calls: body, seen, shown, batch });
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
  const beside = saving();
  draft = {};
  saved.add(here);
  document.body.dataset.saving = Number(document.body.dataset.saving ?? 0) + 1;
  pending = pending.then(async () => {
    try {
      const done = await post(here, calls, beside);
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
      ahead.forget(here);
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
    if (choice.reading === "first" && !facts.hidden && ahead.has(nextBud())) {
      await saveBehind(here, since);
      return;
    }
    await pending;
    const done = await post(here, draft, saving());
    wasSaved(here, done);
    draft = {};
    if (done.revealed.some((one) => one.differs)) {
      const fresh = await ahead.fetch(here);
      settleIn(fresh);
      facts.next = done.next;
      revealed = done.revealed;
      front = revealed.find((one) => one.differs).tissue;
      drawFront();
      drawCalls();
      ahead.gather(facts.next);
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
    ahead.forget(done.bud_id);
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

// ---- wiring ---------------------------------------------------------------------------------------------

listenForKeys({
  confirm: confirmFront, save: saveAndGo, takeBack, previous, skip: skipBud, tone: setTone,
  next: (since) => go(nextBud(), { since }),
  call: (value) => { revealed = null; call(front, value); },
  bring,
  step: (by) => {
    const all = toCall();
    bring(all[Math.min(all.length - 1, Math.max(0, all.indexOf(front) + by))]);
  },
  alike: () => { document.body.classList.toggle("no-like"); drawCalls(); },
  correct: () => views[Math.max(0, bestCut())]?.figure.querySelector("figcaption a")?.click(),
  view: inFront,
});
// A button pressed by mouse or finger lets go of the focus, so that the next Space calls a tissue.
document.addEventListener("click", (event) => { if (event.detail) event.target.closest("button")?.blur(); });
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
