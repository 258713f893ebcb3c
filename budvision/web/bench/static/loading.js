// What becomes of a photograph that has no answer yet, so that no wait is silent.

import { spoken, spokenN } from "/static/language.js";
import { read } from "/static/send.js";

const EVERY_MS = 1200;

/** Say it in place of an answer until one takes that place. */
export function sayWhileWaiting(headline, boardPath) {
  const words = [spoken("Looking…"), spoken("The model is being loaded; the photograph is kept"),
    spoken("Kept in this browser; not looked at yet")];
  const [looking, loading, away] = words;
  headline.textContent = looking;
  const look = async () => {
    if (!words.includes(headline.textContent)) return;
    const board = await read(boardPath).catch(() => null);
    if (!words.includes(headline.textContent)) return;
    headline.textContent = !board ? away : board.model_loading ? loading : looking;
    setTimeout(look, EVERY_MS);
  };
  setTimeout(look, EVERY_MS);
}

/** Say what waits in this browser of other people, who alone can send it. */
export function ofOthers(kept, person) {
  const counts = new Map();
  for (const { person: name } of kept) if (name !== person) counts.set(name, (counts.get(name) ?? 0) + 1);
  return [...counts].map(([name, n]) => spokenN(
    "{n} picture or mark of {name} waits in this browser. It is sent when {name} opens the bench here again.",
    "{n} pictures or marks of {name} wait in this browser. They are sent when {name} opens the bench here again.", n, { name },
  )).join(" ");
}
