// Which flanker it is. Where the program doubts a flanker's name, the page asks for it: one key or
// click, before or after the call, and never needed. Calls follow the tissue they were made of.

const FLANKERS = ["secondary", "tertiary"];

/** What is to be asked: of the tissue in front, else of the first; null where nothing is. */
export function doubt(facts, reading, front) {
  if (facts.hidden || reading !== "first") return null;
  const asked = FLANKERS.filter((one) => facts.tissues[one].proposal?.other_name);
  const tissue = asked.includes(front) ? front : asked[0];
  if (!tissue) return null;
  const { other_name: other, photo_id: photo } = facts.tissues[tissue].proposal;
  return { tissue, other, photo };
}

/** The steps that keep an answer: the name is right, or it is the other flanker's. */
export const steps = (asked, right) => (
  right ? [{ kind: "named" }] : [{ kind: "rename", tissue: asked.tissue, to: asked.other }]
);

/** Exchange what a person has called of the two flankers, on this page or before. Where the other
    name belongs to a tissue of another cut, nobody knows what its call was made of: both are open. */
export function exchange(draft, facts, who, { tissue, other, photo }) {
  const out = { ...draft };
  delete out[tissue];
  delete out[other];
  const there = facts.tissues[other].proposal;
  if (there && there.value !== "not_exposed" && there.photo_id !== photo) return out;
  const of = (one) => {
    const { call } = facts.tissues[one];
    if (draft[one] || call?.person !== who) return draft[one];
    return { value: call.value, cause: call.cause, note: call.note, order: 0, carried: true };
  };
  for (const [from, to] of [[tissue, other], [other, tissue]]) {
    const one = of(from);
    // carried back to where it was saved, a call is no draft any more
    if (one && !(draft[from]?.carried && facts.tissues[to].call?.value === one.value)) out[to] = one;
  }
  return out;
}
