// On the other pages of the review: what a reader's browser still holds is sent and counted here too.

import { spoken } from "./language.js";
import { sign, Unsaved } from "./unsaved.js";

const box = document.getElementById("unsaved");
const unsaved = new Unsaved(box.dataset.person, {
  changed: sign,
  refused: (entry, error) => {
    const link = Object.assign(document.createElement("a"), { href: entry.page, textContent: spoken("Open the bud") });
    const told = Object.assign(document.createElement("p"), { className: "notice", textContent: `${spoken("Not saved: {error}", { error: error.message })} ` });
    told.append(link);
    box.after(told);
  },
});
box.querySelector("button").addEventListener("click", () => unsaved.now());
unsaved.tell();
unsaved.flush();
