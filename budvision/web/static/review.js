// The bud at a time. A proposal is shown, never taken: each tissue is called by one key or click.

import { spoken, spokenN } from "./language.js";
import { read, send } from "./send.js";
import { newBatch, sign, Unsaved } from "./unsaved.js";
import { Ahead } from "./review_ahead.js";
import { exchange, steps } from "./review_names.js";
import { listenForClicks } from "./review_clicks.js";
import { bring, chooseCut, draw, drawCalls, drawCounts, drawFront, inFront, say, sayOpen, setTone, stepCut, tone } from "./review_draw.js";
import { listenForKeys } from "./review_keys.js";
import { NAMES } from "./review_parts.js";
import { UNSEEN } from "./review_stage.js";
import {
  ask, asked, at, choice, draft, facts, front, keepDraft, memory, nextBud, open, path, revealed, saved,
  set, TISSUES, toCall, told, valueOf, who, whole,
} from "./review_state.js";

const joined = (tissues) => tissues.map((one) => spoken(one)).join(` ${spoken("and")} `);

let busy = false;
let naming = null;  // the answer to a name that is on its way
let opening = null;  // the answer to this bud being open here: after its calls, it would be held anew

const unsaved = new Unsaved(who, {
  changed: sign,
  refused: (entry, error) => notSaved(entry, error),
  before: () => Promise.race([opening, new Promise((done) => { setTimeout(done, 3000); })]),
});
const ahead = new Ahead((bud) => path(bud, "/facts"), () => tone);

// ---- going from bud to bud -----------------------------------------------------------------------

/** Show calls that are kept in this browser and not saved yet as what they are: this person's. */
function showUnsaved() {
  const entry = unsaved.of(facts.bud.id);
  if (!entry || choice.reading !== "first") return;
  for (const [tissue, one] of Object.entries(entry.body.calls)) {
    facts.tissues[tissue].call = { ...one, person: spoken("{person}, not saved yet", { person: who }) };
  }
}

function settleIn(next) {
  set({ facts: next, revealed: null, draft: memory.draft(next.bud.id) });
  showUnsaved();
  set({ front: open()[0] ?? toCall()[0] ?? "primary" });
  draw();
}

/** Tell the season that this bud is open here, and take in what has changed since it was fetched. */
async function takeIn(bud, asked = false) {
  try {
    await unsaved.settled(3000);
    const sent = send(path(bud, "/open"));
    opening = sent.catch(() => null);
    const opened = await sent;
    const fresh = { ...await read(path(bud, "/facts")), next: opened.next };
    if (facts.bud.id !== bud) return;
    // somebody else has it since it was fetched: pass it by, unless it was asked for or begun
    if (!opened.mine && !asked && choice.show === "waiting" && opened.next.length && !Object.keys(draft).length) {
      await go(opened.next[0]);
      return;
    }
    const changed = fresh.seen !== facts.seen;
    const keep = ["strip", "tally", "next", "left", "open_by"];
    if (changed) {
      set({ facts: fresh });
      draw();
    } else {
      for (const name of keep) facts[name] = fresh[name];
      drawCounts();
      if (facts.open_by) sayOpen();
    }
    ahead.gather(facts.next);
  } catch (error) {
    say(error.message);
  }
}

async function go(bud, { since = performance.now(), push = true, fresh = null, asked = false } = {}) {
  if (!bud) {
    if (unsaved.n) say(spoken("This was the last one. The page goes on once everything is saved."));
    await unsaved.settled();
    location.href = `/review/sampling/${facts.bud.sampling_id}?${ask()}`;
    return;
  }
  const next = await ahead.take(bud);
  next.next = (facts.next ?? []).filter((one) => one !== bud);  // until the season hands out more
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
  takeIn(bud, asked);
}

/** To the next bud, as the season hands it out. */
async function onward(options = {}) {
  try {
    await go(nextBud() ?? (await send(path(facts.bud.id, "/open"))).next[0], options);
  } catch (error) {
    say(error.message);
  }
}

// ---- calling ----------------------------------------------------------------------------------------

function call(tissue, value) {
  if (!toCall().includes(tissue)) return;
  draft[tissue] = { cause: "", note: "", ...draft[tissue], value, order: Date.now() };
  if (value !== "dead") draft[tissue].cause = "";
  keepDraft();
  const later = open();
  const further = later.find((one) => TISSUES.indexOf(one) > TISSUES.indexOf(tissue));
  set({ front: further ?? later[0] ?? tissue });
  drawFront();
  drawCalls();
}

function confirmFront(since) {
  if (revealed || whole()) return saveAndGo(since);
  if (valueOf(front)) return bring(open()[0]);
  const proposal = facts.tissues[front].proposal;
  if (choice.reading === "settle" || !proposal?.confirmable) {
    at("hint").textContent = spoken("{tissue} has nothing to confirm: press L, D, U or N.", { tissue: NAMES[front] });
    return undefined;
  }
  if (inFront()?.view.missing) {
    at("hint").textContent = UNSEEN;
    return undefined;
  }
  return call(front, proposal.value);
}

/** Keep the draft in this browser as something to be saved, with what this page had seen and shown. */
function hand(here) {
  const calls = Object.fromEntries(Object.entries(draft).map(([tissue, one]) => [tissue, {
    value: one.value, cause: one.cause, note: one.note,
  }]));
  const body = { calls, seen: facts.seen, shown: facts.shown, photos: facts.photos, batch: newBatch() };
  const mine = draft;
  const sent = unsaved.add({ bud: here, page: path(here), path: path(here, "/calls"), body, draft: mine });
  set({ draft: {} });
  memory.keepDraft(here, {});
  saved.add(here);
  sent.done.then(
    (done) => wasSaved(here, done),
    (error) => notSaved({ bud: here, draft: mine }, error),
  );
  return sent;
}

function wasSaved(here, done) {
  memory.saveTrail([...memory.trail(), { batch: done.batch, bud: here }]);
  if (!done.message) return;
  set({ told: done.message });
  sayOpen();
}

/** The season refused the calls: they are a draft again, on their own page. */
function notSaved(entry, error) {
  saved.delete(entry.bud);
  ahead.forget(entry.bud);
  memory.keepDraft(entry.bud, entry.draft);
  set({ told: spoken("Not saved: {error} Your calls are still here.", { error: error.message }) });
  go(entry.bud);
}

/** After a save behind the next bud: the counts, and whether somebody else has taken that bud since. */
async function catchUp(here, next, done) {
  if (facts.bud.id === here) return;
  facts.tally = done.tally;
  if (done.strip.some((one) => one.bud_id === facts.bud.id)) facts.strip = done.strip;
  drawCounts();
  drawCalls();
  const taken = facts.bud.id === next && choice.show === "waiting" && !done.next.includes(next);
  if (taken && done.next.length && !Object.keys(draft).length) await go(done.next[0]);
}

async function reveal(here, done) {
  settleIn(await ahead.fetch(here));
  facts.next = done.next;
  set({ revealed: done.revealed, front: done.revealed.find((one) => one.differs).tissue });
  drawFront();
  drawCalls();
  ahead.gather(facts.next);
}

// ---- which flanker it is ----------------------------------------------------------------------------

/** After the names of a cut have changed: the bud anew, with the calls at the tissue they were made of. */
async function takeNames(here, exchanged) {
  ahead.forget(here);
  if (facts.bud.id !== here) return;
  const mine = exchanged ? exchange(draft, facts, who, exchanged) : draft;
  const fresh = await ahead.fetch(here);
  if (facts.bud.id !== here) return;
  set({ facts: { ...fresh, next: facts.next }, draft: mine, revealed: null });
  keepDraft();
  if (front === exchanged?.tissue) set({ front: exchanged.other });
  if (valueOf(front)) set({ front: open()[0] ?? front });
  showUnsaved();
  draw();
}

async function keepName(question, right) {
  const here = facts.bud.id;
  const exchanged = right ? null : question;
  const done = await send(`/review/cut/${question.photo}/outlines`, { steps: steps(question, right) });
  memory.saveTrail([...memory.trail(), { bud: here, named: done.region_id, photo: question.photo, exchanged, at: Date.now() }]);
  set({ told: done.proposal_id ? "" : done.message });
  await takeNames(here, exchanged);
}

/** Say that the doubtful name is right, or that it is the other flanker. */
function nameIt(right) {
  const question = asked();
  if (naming || busy || !question) return;
  if (unsaved.of(facts.bud.id)) {
    at("hint").textContent = spoken("This bud is not with the season yet; say which flanker it is once it is.");
    return;
  }
  naming = keepName(question, right).catch((error) => say(error.message)).finally(() => { naming = null; });
}

async function takeNameBack(last) {
  if (busy) return;
  busy = true;
  try {
    if (facts.bud.id !== last.bud) await go(last.bud, { asked: true });
    memory.saveTrail(memory.trail().slice(0, -1));
    await send(`/review/cut/${last.photo}/outlines/undo`, { region_id: last.named });
    set({ told: spoken("The name is open again. The earlier outlines stay in the record.") });
    const back = last.exchanged;
    await takeNames(last.bud, back && { ...back, tissue: back.other, other: back.tissue });
  } catch (error) {
    say(error.message);
  } finally {
    busy = false;
  }
}

// ---- saving and taking back -------------------------------------------------------------------------

async function saveAndGo(since = performance.now()) {
  await naming;
  if (busy) return;
  if (!whole()) {
    at("hint").textContent = spokenN("The {tissues} is not called yet.", "The {tissues} are not called yet.", open().length, { tissues: joined(open()) });
    return;
  }
  const here = facts.bud.id;
  const next = nextBud();
  busy = true;
  set({ told: "" });
  try {
    if (!Object.keys(draft).length) {
      await onward({ since });
      return;
    }
    const sent = hand(here);
    if (choice.reading === "first" && !facts.hidden && ahead.has(next)) {
      sent.done.then((done) => catchUp(here, next, done), () => {});
      await go(next, { since });
      return;
    }
    if (!await sent.reached) {  // the season is away; on only to a bud that is here already
      showUnsaved();
      drawFront();
      drawCalls();
      if (ahead.has(next)) await go(next, { since });
      return;
    }
    const done = await sent.done.catch(() => null);
    if (!done) return;
    if (done.revealed.some((one) => one.differs)) await reveal(here, done);
    else await go(done.next[0], { since, fresh: done });
  } catch (error) {
    say(error.message);
  } finally {
    busy = false;
  }
}

async function takeBack() {
  await naming;
  const last = Object.entries(draft).sort((a, b) => a[1].order - b[1].order).pop();
  const before = memory.trail().pop();
  if (before?.named && !(last?.[1].order > before.at)) {
    await takeNameBack(before);
    return;
  }
  if (last) {
    delete draft[last[0]];
    keepDraft();
    bring(last[0]);
    return;
  }
  if (!await unsaved.settled(3000)) {
    at("hint").textContent = spoken("What was saved last is not with the season yet; take it back once it is.");
    return;
  }
  const rows = memory.trail();
  const batch = rows.pop();
  if (!batch || busy) {
    at("hint").textContent = spoken("There is nothing of yours to take back.");
    return;
  }
  busy = true;
  try {
    saved.delete(batch.bud);
    const done = await send("/review/undo", { batch: batch.batch });
    memory.saveTrail(rows);
    ahead.forget(done.bud_id);
    set({ told: spoken("Taken back. The earlier rows stay in the record.") });
    await go(done.bud_id);
  } catch (error) {
    memory.saveTrail(rows);
    say(error.message);
  } finally {
    busy = false;
  }
}

async function setAside(what, on) {
  if (busy) return;
  busy = true;
  try {
    const done = await send(path(facts.bud.id, what), { on });
    ahead.forget(facts.bud.id);
    await go(done.next[0]);
  } catch (error) {
    say(error.message);
  } finally {
    busy = false;
  }
}

const skipBud = () => setAside("/skip", !facts.skipped);

function previous() {
  const index = facts.strip.findIndex((one) => one.bud_id === facts.bud.id);
  if (index > 0) go(facts.strip[index - 1].bud_id, { asked: true });
  else history.back();
}

// ---- wiring ---------------------------------------------------------------------------------------------

listenForKeys({
  confirm: confirmFront, save: saveAndGo, takeBack, previous, skip: skipBud, tone: setTone,
  next: (since) => onward({ since }),
  call: (value) => { set({ revealed: null }); call(front, value); },
  name: nameIt,
  bring,
  step: (by) => {
    const all = toCall();
    bring(all[Math.min(all.length - 1, Math.max(0, all.indexOf(front) + by))]);
  },
  alike: () => { document.body.classList.toggle("no-like"); drawCalls(); },
  correct: () => inFront()?.figure.querySelector("figcaption a")?.click(),
  view: () => inFront()?.view,
  cut: stepCut,
});
listenForClicks({
  save: saveAndGo, takeBack, previous, skip: skipBud, tone: setTone, bring,
  noBud: () => setAside("/no-bud", !facts.no_bud),
  next: () => onward(),
  cut: chooseCut,
  call: (tissue, value) => { set({ revealed: null }); call(tissue, value); },
  name: nameIt,
  add: (tissue, name, value) => {
    if (!draft[tissue]) return;
    draft[tissue][name] = value;
    keepDraft();
  },
  choose: (name, value) => {
    choice[name] = value;
    location.href = `/review/sampling/${facts.bud.sampling_id}?${ask()}`;
  },
  open: (bud) => go(bud, { asked: true }),
  send: () => unsaved.now(),
});
window.addEventListener("popstate", (event) => {
  if (event.state?.bud) go(event.state.bud, { push: false, asked: true });
});
setInterval(() => { if (!document.hidden) send(path(facts.bud.id, "/open")).catch(() => {}); }, 120_000);

unsaved.tell();
unsaved.flush();

history.replaceState({ bud: facts.bud.id }, "", path(facts.bud.id));
settleIn(facts);
document.body.dataset.bud = facts.bud.id;
takeIn(facts.bud.id, true);
