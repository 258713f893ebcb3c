// Saved buds on their way to the season. Each is kept in this browser until the season has it: they
// are sent in order, again after a failure, after a reload or a restart; twice counts once.

import { spoken, spokenN } from "./language.js";
import { send, Unreachable } from "./send.js";

const WAITS_MS = [1000, 2000, 4000, 8000, 15000];
const PATIENCE_MS = 15000;
const season = () => document.querySelector('meta[name="season"]').content;
const sleep = (ms) => new Promise((done) => { setTimeout(done, ms); });

/** A name for what is saved together. (crypto.randomUUID is missing where a lab serves without HTTPS.) */
export const newBatch = () => Array.from(
  crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0"),
).join("");

/** Whether the season may still take it: it was not reached, or the visit has to be renewed first. */
const passing = (error) => error instanceof Unreachable || error.status >= 500 || [401, 403, 429].includes(error.status)
  || ["old_page", "other_person"].includes(error.body?.code);

export class Unsaved {
  /** `changed` is told the number that waits and why; `refused` gets an entry that cannot be saved;
      what `before` promises is waited for before each is sent. */
  constructor(who, { changed = () => {}, refused = () => {}, before = () => {} } = {}) {
    this.prefix = `unsaved ${season()} ${who}: `;
    this.who = who;
    this.changed = changed;
    this.refused = refused;
    this.before = before;
    this.asked = new Map();
    this.failures = 0;
    this.why = "";
    window.addEventListener("online", () => this.now());
    window.addEventListener("storage", (event) => { if (event.key?.startsWith(this.prefix)) this.tell(); });
  }

  keys() {
    return Object.keys(localStorage).filter((key) => key.startsWith(this.prefix)).sort();
  }

  get n() { return this.keys().length; }

  /** The newest calls of a bud that are not saved yet. */
  of(bud) {
    const all = this.keys().map((key) => JSON.parse(localStorage.getItem(key)));
    return all.filter((one) => one.bud === bud).pop();
  }

  tell() { this.changed(this.n, this.failures ? this.why : ""); }

  /** Keep an entry {bud, path, body}; `done` resolves with the answer, `reached` with whether one came. */
  add(entry) {
    const key = `${this.prefix}${String(Date.now()).padStart(15, "0")} ${entry.body.batch}`;
    localStorage.setItem(key, JSON.stringify(entry));
    const waiter = {};
    const done = new Promise((resolve, reject) => Object.assign(waiter, { resolve, reject }));
    const reached = new Promise((resolve) => { waiter.tried = resolve; });
    done.catch(() => {});
    this.asked.set(key, waiter);
    this.tell();
    this.flush();
    return { done, reached };
  }

  /** Wait until all is saved, at most so long; say whether it is. */
  async settled(ms = Infinity) {
    const end = performance.now() + ms;
    while (this.n && performance.now() < end) await sleep(40);
    return !this.n;
  }

  /** Try again at once. */
  now() {
    this.wake?.();
    return this.flush();
  }

  async flush() {
    if (this.running) return;
    this.running = true;
    try {
      for (let [key] = this.keys(); key; [key] = this.keys()) {
        if (await this.one(key)) continue;
        const ms = WAITS_MS[Math.min(this.failures, WAITS_MS.length) - 1];
        await Promise.race([sleep(ms), new Promise((done) => { this.wake = done; })]);
      }
    } finally {
      this.running = false;
    }
  }

  /** Send one entry; say whether it has left the queue. */
  async one(key) {
    const kept = localStorage.getItem(key);
    if (kept === null) return true;  // another tab has sent it
    const entry = JSON.parse(kept);
    const waiter = this.asked.get(key);
    try {
      await this.before();
      const done = await send(entry.path, { ...entry.body, person: this.who }, { patience: PATIENCE_MS });
      this.leave(key);
      waiter?.tried(true);
      waiter?.resolve(done);
    } catch (error) {
      if (passing(error)) {
        this.failures += 1;
        this.why = error.message;
        waiter?.tried(false);
        this.tell();
        return false;
      }
      this.leave(key);
      waiter?.tried(true);
      if (waiter) waiter.reject(error);
      else this.refused(entry, error);
    }
    return true;
  }

  leave(key) {
    localStorage.removeItem(key);
    this.asked.delete(key);
    this.failures = 0;
    this.tell();
  }
}

/** Show in plain sight how many buds are not saved yet. */
export function sign(n, why) {
  const box = document.getElementById("unsaved");
  document.body.dataset.saving = n;
  box.hidden = !n;
  box.classList.toggle("failed", Boolean(why));
  const words = spokenN("{n} bud not saved yet", "{n} buds not saved yet", n);
  box.querySelector("span").textContent = why
    ? spoken("{words}. {why} The calls are kept in this browser and sent again by themselves.", { words, why }) : words;
  box.querySelector("button").hidden = !why;
}
