// Sends photographs one at a time, so that no request is larger than the page accepts.

import { spoken, spokenN } from "./language.js";
import { Refused, send } from "./send.js";

const form = document.getElementById("photographs");
const told = document.getElementById("sending");
const folder = document.getElementById("folder");
const TAKEN = /\.(jpe?g|jpe|png|tiff?|webp|hei[cf]|bmp)$/i;
const TABLE = /\.(csv|tsv|xlsx)$/i;

document.getElementById("folder-field").hidden = !("webkitdirectory" in folder);

async function sendOne(file, name) {
  const body = new FormData();
  body.append("file", file, "file");
  body.append("name", name);
  await send(form.dataset.one, body);
}

function chosen() {
  const files = [...form.elements.photographs.files, ...form.elements.manifest.files]
    .map((file) => ({ file, name: file.name }));
  const inside = [...folder.files].filter((file) => !file.name.startsWith("."))
    .map((file) => ({ file, name: file.webkitRelativePath || file.name }));
  const tables = inside.filter(({ file }) => TABLE.test(file.name));
  return [...files, ...inside.filter(({ file }) => TAKEN.test(file.name)),
    ...(form.elements.manifest.files.length ? [] : tables.slice(0, 1))];
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector('button[type="submit"]');
  button.disabled = true;
  told.hidden = false;
  const files = chosen();
  const refused = [];
  for (const [at, { file, name }] of files.entries()) {
    told.textContent = spoken("Sending {at} of {n}: {name}", { at: at + 1, n: files.length, name });
    try {
      await sendOne(file, name);
    } catch (error) {
      if (!(error instanceof Refused)) {
        told.textContent = spoken("The season's computer does not answer. What was sent is kept; send them again when it does.");
        button.disabled = false;
        return;
      }
      refused.push(error.message);
    }
  }
  if (refused.length) {
    told.textContent = spokenN(
      "{n} file could not be sent. {why} Press again to look over the others.",
      "{n} files could not be sent. {why} Press again to look over the others.",
      refused.length, { why: refused.slice(0, 5).join(" ") });
    for (const input of form.querySelectorAll('input[type="file"]')) input.value = "";
    button.disabled = false;
    return;
  }
  for (const input of form.querySelectorAll('input[type="file"]')) input.disabled = true;
  told.textContent = spoken("Looking them over.");
  form.submit();
});
