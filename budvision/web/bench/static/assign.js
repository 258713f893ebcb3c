// Film strips to nodes: drag, or touch the photograph and then the node.

import { spoken, spokenN } from "/static/language.js";
import { send } from "/static/send.js";

const root = document.getElementById("assign");
if (root) {
  const samplings = JSON.parse(document.getElementById("assign-samplings").textContent);
  const [samplingSelect, caneSelect, slots, keep, said] = [
    "assign-sampling", "assign-cane", "assign-slots", "assign-keep", "assign-said",
  ].map((id) => document.getElementById(id));
  const laid = new Map();          // sha -> { sampling_id, cane, node, cut } or { aside: true }
  const homes = new Map();         // sha -> the film it came from
  let chosen = null;

  for (const frame of root.querySelectorAll(".frame")) {
    homes.set(frame.dataset.sha, frame.parentElement);
    frame.addEventListener("click", () => choose(chosen === frame ? null : frame));
    frame.addEventListener("keydown", (event) => {
      if (![" ", "Enter"].includes(event.key)) return;
      event.preventDefault();
      frame.click();
    });
    frame.addEventListener("dragstart", (event) => {
      event.dataTransfer.setData("text/plain", frame.dataset.sha);
      event.dataTransfer.effectAllowed = "move";
      choose(frame);
    });
  }
  const frameOf = (sha) => root.querySelector(`.frame[data-sha="${sha}"]`);

  function choose(frame) {
    chosen?.setAttribute("aria-pressed", "false");
    chosen = frame;
    frame?.setAttribute("aria-pressed", "true");
  }

  function sampling() { return samplings.find((row) => String(row.id) === samplingSelect.value); }

  const onThisCane = (where) => (
    where.cane === caneSelect.value && where.sampling_id === Number(samplingSelect.value)
  );
  const takenAt = (node) => sampling()?.taken[caneSelect.value]?.[node] ?? 0;

  function fillCanes() {
    caneSelect.replaceChildren(...(sampling()?.canes ?? []).map((label) => new Option(label, label)));
  }

  function place(sha, node) {
    const at = [...laid.entries()].filter(([other, where]) => other !== sha && onThisCane(where) && where.node === node);
    laid.set(sha, { sampling_id: Number(samplingSelect.value), cane: caneSelect.value, node, cut: takenAt(node) + at.length + 1 });
    choose(null);
    draw();
  }

  function draw() {
    for (const [sha, where] of laid) {
      const here = where.sampling_id === Number(samplingSelect.value) && where.cane === caneSelect.value;
      const frame = frameOf(sha);
      frame.hidden = !where.aside && !here;
      if (!here) homes.get(sha).append(frame);
      frame.style.opacity = where.aside ? ".35" : "";
    }
    const nodes = sampling()?.nodes ?? 10;
    const frames = new Map([...laid].filter(([, w]) => !w.aside && onThisCane(w)).map(([sha, w]) => [sha, { w, frame: frameOf(sha) }]));
    slots.replaceChildren(...Array.from({ length: nodes }, (_, i) => i + 1).map((node) => {
      const slot = document.createElement("div");
      slot.className = "slot";
      slot.dataset.node = node;
      const has = takenAt(node);
      const words = has ? spokenN("node {node} · has {n} cut", "node {node} · has {n} cuts", has, { node }) : spoken("node {node}", { node });
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: words });
      button.addEventListener("click", () => { if (chosen) place(chosen.dataset.sha, node); });
      const film = Object.assign(document.createElement("div"), { className: "film" });
      const here = [...frames.values()].filter(({ w }) => w.node === node).sort((a, b) => a.w.cut - b.w.cut);
      here.forEach(({ w, frame }, at) => { w.cut = takenAt(node) + at + 1; film.append(frame); });
      slot.append(button, film);
      slot.addEventListener("dragover", (event) => { event.preventDefault(); slot.classList.add("over"); });
      slot.addEventListener("dragleave", () => slot.classList.remove("over"));
      slot.addEventListener("drop", (event) => { event.preventDefault(); place(event.dataTransfer.getData("text/plain"), node); });
      return slot;
    }));
    keep.disabled = laid.size === 0;
  }

  for (const strip of root.querySelectorAll(".strip")) {
    strip.querySelector("[data-suggest]")?.addEventListener("click", () => {
      samplingSelect.value = strip.dataset.sampling;
      fillCanes();
      caneSelect.value = strip.dataset.cane;
      for (const frame of strip.querySelectorAll(".frame[data-hint]")) {
        const [node, cut] = frame.dataset.hint.split(".").map(Number);
        if (node) laid.set(frame.dataset.sha, { sampling_id: Number(samplingSelect.value), cane: caneSelect.value, node, cut });
      }
      draw();
    });
    strip.querySelector("[data-aside]").addEventListener("click", () => {
      if (!chosen) return;
      laid.set(chosen.dataset.sha, { aside: true });
      choose(null);
      draw();
    });
  }

  samplingSelect.append(...samplings.map((row) => new Option(`${row.block} ${row.label}`, row.id)));
  const first = root.querySelector(".strip[data-sampling]:not([data-sampling=''])");
  if (first) samplingSelect.value = first.dataset.sampling;
  fillCanes();
  if (first?.dataset.cane) caneSelect.value = first.dataset.cane;
  samplingSelect.addEventListener("change", () => { fillCanes(); draw(); });
  caneSelect.addEventListener("change", draw);
  keep.addEventListener("click", async () => {
    try {
      const body = await send(root.dataset.path, { places: [...laid].map(([sha256, where]) => ({ sha256, ...where })) });
      said.textContent = spokenN("{n} photograph has its place now.", "{n} photographs have their place now.", body.n_placed);
      setTimeout(() => location.reload(), 900);
    } catch (error) {
      said.textContent = error.message;
    }
    said.hidden = false;
  });
  draw();
}
