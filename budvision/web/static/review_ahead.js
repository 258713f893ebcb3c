// The next buds, fetched before they are asked for: what their pages show, and the pictures decoded.

import { read } from "./send.js";
import { faceAddress } from "./viewer.js";

export class Ahead {
  /** `address` gives a bud's facts, `tone` how pictures are shown now. */
  constructor(address, tone) {
    this.address = address;
    this.tone = tone;
    this.coming = new Map();
  }

  /** Fetch a bud now. */
  async fetch(bud) {
    const facts = await read(this.address(bud));
    await Promise.all(facts.cuts.map(async (cut) => {
      const picture = new Image();
      picture.src = faceAddress(cut, this.tone());
      try { await picture.decode(); } catch { /* the page shows the gap */ }
    }));
    return facts;
  }

  /** Begin to fetch the first two of the next buds; let go of those left behind. */
  gather(next) {
    for (const bud of next.slice(0, 2)) {
      if (this.coming.has(bud)) continue;
      const one = { facts: null };
      this.coming.set(bud, one);
      one.promise = this.fetch(bud).then((facts) => { one.facts = facts; this.tell(); return facts; })
        .catch(() => { this.coming.delete(bud); return null; });
    }
    for (const bud of this.coming.keys()) {
      if (this.coming.size > 6 && !next.includes(bud)) this.coming.delete(bud);
    }
  }

  /** Say on the page which buds are here, for who plays it. */
  tell() {
    document.body.dataset.ahead = [...this.coming.keys()].filter((bud) => this.has(bud)).join(" ");
  }

  /** Whether a bud can be shown without waiting. */
  has(bud) { return Boolean(this.coming.get(bud)?.facts); }

  /** Forget a bud whose facts have changed. */
  forget(bud) { this.coming.delete(bud); }

  /** Hand a bud over, waiting where it is on its way. */
  async take(bud) {
    const one = this.coming.get(bud);
    const facts = one?.facts ?? (one ? await one.promise : null) ?? await this.fetch(bud);
    this.coming.delete(bud);
    return facts;
  }
}
