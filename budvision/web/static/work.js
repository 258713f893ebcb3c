// Shows how far long work is, and loads the page again when it has ended.

import { spoken } from "./language.js";
import { read, Refused } from "./send.js";

const EVERY_MS = 700;
const part = document.getElementById("work");
const bar = document.getElementById("work-bar");
const words = document.getElementById("work-words");
const trouble = document.getElementById("work-trouble");
const title = document.getElementById("work-title").textContent;

function show(work) {
  if (work.total) {
    bar.max = work.total;
    bar.value = work.done;
  } else {
    bar.removeAttribute("value");
  }
  const what = work.what || spoken("beginning");
  const { done, total } = work;
  words.textContent = work.state === "waiting" ? spoken("about to begin")
    : total ? spoken("{what}, {done} of {total}", { what, done, total }) : what;
}

async function look() {
  try {
    const { work } = await read(part.dataset.path);
    trouble.hidden = true;
    if (!work || work.title !== title || !["waiting", "running", "stopping"].includes(work.state)) {
      location.reload();
      return;
    }
    show(work);
  } catch (error) {
    trouble.textContent = error instanceof Refused ? error.message
      : spoken("The program does not answer; it is asked again.");
    trouble.hidden = false;
  }
  setTimeout(look, EVERY_MS);
}

setTimeout(look, EVERY_MS);
