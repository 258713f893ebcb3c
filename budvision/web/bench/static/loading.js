// What becomes of a photograph that has no answer yet, so that no wait is silent.

import { spoken } from "/static/language.js";
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
