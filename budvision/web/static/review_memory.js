// What one window remembers for one person: drafts and the way back. The next person at this screen
// must not find them.

export class Memory {
  constructor(who, reading) {
    this.who = who;
    this.reading = reading;
  }

  key(bud) { return `draft of ${this.who}: ${bud} ${this.reading}`; }

  /** What was called of a bud and not yet saved. */
  draft(bud) { return JSON.parse(sessionStorage.getItem(this.key(bud)) ?? "{}"); }

  keepDraft(bud, draft) {
    if (Object.keys(draft).length) sessionStorage.setItem(this.key(bud), JSON.stringify(draft));
    else sessionStorage.removeItem(this.key(bud));
  }

  /** The batches saved in this window, the last one last. */
  trail() { return JSON.parse(sessionStorage.getItem(`trail of ${this.who}`) ?? "[]"); }

  saveTrail(rows) { sessionStorage.setItem(`trail of ${this.who}`, JSON.stringify(rows.slice(-200))); }
}
