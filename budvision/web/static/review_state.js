// What the bud page knows. Two kinds of state: `facts`, what the season says of this bud, and
// `draft`, what the person has called on this page and not yet saved. They are read everywhere and
// changed by `set` alone.

import { Memory } from "./review_memory.js";
import { doubt } from "./review_names.js";

export const TISSUES = ["primary", "secondary", "tertiary"];
export const at = (id) => document.getElementById(id);

const first = JSON.parse(at("facts").textContent);
export const choice = first.choice;
export const who = first.facts.person;
export const memory = new Memory(who, choice.reading);
export const saved = new Set();  // buds saved on this page, which the lists fetched before still name

export let facts = first.facts;
export let draft = {};
export let front = "primary";
export let revealed = null;
export let told = "";  // what the last save had to say, shown until the next one

export function set(changes) {
  ({ facts, draft, front, revealed, told } = { facts, draft, front, revealed, told, ...changes });
}

export const ask = () => new URLSearchParams(choice).toString();
export const path = (bud, what = "") => `/review/bud/${bud}${what}?${ask()}`;
export const keepDraft = () => memory.keepDraft(facts.bud.id, draft);

export const toCall = () => (choice.reading === "settle" ? facts.to_settle : TISSUES);
export const valueOf = (tissue) => draft[tissue]?.value
  ?? (choice.reading === "settle" ? undefined : facts.tissues[tissue].call?.value);
export const open = () => toCall().filter((tissue) => !valueOf(tissue));
export const whole = () => open().length === 0;
export const asked = () => doubt(facts, choice.reading, front);
export const bestCut = () => {
  const proposal = facts.tissues[front].proposal;
  if (proposal) return facts.cuts.findIndex((cut) => cut.cut === proposal.cut);
  return facts.cuts.length - 1;
};
export const nextBud = () => facts.next?.find(
  (bud) => choice.show !== "waiting" || !saved.has(bud));
