// The one line that says what the next key, or the next tap, will do.

import { NAMES, WORDS } from "./review_parts.js";

const touch = matchMedia("(pointer: coarse)").matches;

function differences(revealed) {
  return revealed.filter((one) => one.differs)
    .map((one) => `${NAMES[one.tissue]}: you said ${WORDS[one.called]}, the program says ${WORDS[one.proposed]}`)
    .join("; ");
}

function forTouch({ facts, front, revealed, settling, drafted, called, open }) {
  if (revealed) return `${differences(revealed)}. Keep yours, or change the call.`;
  if (!open.length) return drafted ? "All called. Save the bud." : "Called already.";
  const proposal = facts.tissues[front].proposal;
  if (!settling && !called && proposal?.confirmable) {
    return `Tap the dashed call to confirm ${front} ${WORDS[proposal.value]}.`;
  }
  return `Call the ${open[0]}.`;
}

function forKeys({ facts, front, revealed, settling, drafted, called, open }) {
  if (revealed) {
    return `${differences(revealed)}. Space keeps your calls; L, D, U or N changes the one in front.`;
  }
  if (!open.length) return drafted ? "Space or Enter: save and go on." : "Called already. Space: go on.";
  if (called) return `${NAMES[front]} is called. Space: to the ${open[0]}.`;
  if (settling) return `${NAMES[front]}: settle it with L, D, U or N.`;
  const proposal = facts.tissues[front].proposal;
  if (proposal?.confirmable) return `Space: confirm ${front} ${WORDS[proposal.value]}.`;
  return `${NAMES[front]}: call it with L, D, U or N.`;
}

function forName({ front, asked, open, revealed }) {
  if (!asked || revealed || (open.length && asked.tissue !== front)) return "";
  const left = open.length ? "" : " The name is open, and may stay so.";
  return touch ? left : `${left} Y: it is the ${asked.tissue}. X: the ${asked.other}.`;
}

/** Say what comes next. */
export const hint = (state) => (touch ? forTouch(state) : forKeys(state)) + forName(state);
