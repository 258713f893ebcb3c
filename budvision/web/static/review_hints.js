// The one line that says what the next key, or the next tap, will do.

import { spoken } from "./language.js";
import { NAMES, WORDS } from "./review_parts.js";

const touch = matchMedia("(pointer: coarse)").matches;

function differences(revealed) {
  return revealed.filter((one) => one.differs)
    .map((one) => spoken("{tissue}: you said {called}, the program says {proposed}", {
      tissue: NAMES[one.tissue], called: WORDS[one.called], proposed: WORDS[one.proposed],
    }))
    .join("; ");
}

function forTouch({ facts, front, revealed, settling, drafted, called, open }) {
  if (revealed) return spoken("{differences}. Keep yours, or change the call.", { differences: differences(revealed) });
  if (!open.length) return drafted ? spoken("All called. Save the bud.") : spoken("Called already.");
  const proposal = facts.tissues[front].proposal;
  if (!settling && !called && proposal?.confirmable) {
    return spoken("Tap the dashed call to confirm {tissue} {value}.", { tissue: spoken(front), value: WORDS[proposal.value] });
  }
  return spoken("Call the {tissue}.", { tissue: spoken(open[0]) });
}

function forKeys({ facts, front, revealed, settling, drafted, called, open }) {
  if (revealed) {
    return spoken("{differences}. Space keeps your calls; L, D, U or N changes the one in front.", { differences: differences(revealed) });
  }
  if (!open.length) return drafted ? spoken("Space or Enter: save and go on.") : spoken("Called already. Space: go on.");
  if (called) return spoken("{tissue} is called. Space: to the {next}.", { tissue: NAMES[front], next: spoken(open[0]) });
  if (settling) return spoken("{tissue}: settle it with L, D, U or N.", { tissue: NAMES[front] });
  const proposal = facts.tissues[front].proposal;
  if (proposal?.confirmable) return spoken("Space: confirm {tissue} {value}.", { tissue: spoken(front), value: WORDS[proposal.value] });
  return spoken("{tissue}: call it with L, D, U or N.", { tissue: NAMES[front] });
}

function forName({ front, asked, open, revealed }) {
  if (!asked || revealed || (open.length && asked.tissue !== front)) return "";
  const left = open.length ? "" : ` ${spoken("The name is open, and may stay so.")}`;
  return touch ? left : `${left} ${spoken("Y: it is the {tissue}. X: the {other}.", { tissue: spoken(asked.tissue), other: spoken(asked.other) })}`;
}

/** Say what comes next. */
export const hint = (state) => (touch ? forTouch(state) : forKeys(state)) + forName(state);
