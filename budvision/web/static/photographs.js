// Sends photographs one at a time, so that no request is larger than the page accepts.

import { spoken, spokenN } from "./language.js";
import { Refused, send } from "./send.js";

const form = document.getElementById("photographs");
const told = document.getElementById("sending");
const folder = document.getElementById("folder");
const TAKEN = /\.(jpe?g|jpe|png|tiff?|webp|hei[cf]|bmp)$/i;
const TABLE = /\.(csv|tsv|xlsx)$/i;

document.getElementById("folder-field").hidden = !("webkitdirectory" in folder);

/** The table of a folder that says which bud each photograph shows: by its name, else by its header. */
async function manifestOf(tables) {
  const named = tables.find(({ file }) => /^manifest\.[^.]*$/i.test(file.name));
  if (named) return named;
  for (const table of tables) {
    const [header] = (await table.file.slice(0, 4096).text()).toLowerCase().split(/[\r\n]/, 1);
    const columns = header.split(/[,;\t]/).map((cell) => cell.replace(/^[\s"\ufeff]+|[\s"]+$/g, ""));
    if (["file", "block", "cane", "node"].every((name) => columns.includes(name))) return table;
  }
  return tables.length === 1 ? tables[0] : undefined;
}

async function sendOne(file, name) {
  const body = new FormData();
  body.append("file", file, "file");
  body.append("name", name);
  await send(form.dataset.one, body);
}

async function chosen() {
  const files = [...form.elements.photographs.files, ...form.elements.manifest.files]
    .map((file) => ({ file, name: file.name }));
  const inside = [...folder.files].filter((file) => !file.name.startsWith("."))
    .map((file) => ({ file, name: file.webkitRelativePath || file.name }));
  const photographs = inside.filter(({ file }) => TAKEN.test(file.name));
  if (form.elements.manifest.files.length) return [...files, ...photographs];
  const tables = inside.filter(({ file }) => TABLE.test(file.name));
  const manifest = await manifestOf(tables);
  if (tables.length && !manifest) {
    throw new Error(
      spoken("None of the folder's {n} tables is called manifest or has the columns file, block, cane, node. Choose one under Manifest.", {
        n: tables.length,
      }));
  }
  return [...files, ...photographs, ...(manifest ? [manifest] : [])];
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector('button[type="submit"]');
  button.disabled = true;
  told.hidden = false;
  const refused = [];
  let files;
  try {
    files = await chosen();
  } catch (error) {
    told.textContent = error.message;
    button.disabled = false;
    return;
  }
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
