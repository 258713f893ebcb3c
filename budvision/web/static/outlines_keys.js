// Drawing outlines without a pointer: a cross on the photograph that the arrow keys move.

import { spoken, spokenN } from "./language.js";

const NS = "http://www.w3.org/2000/svg";
const ARROWS = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };
const STEP = 0.025;  // of what is in view; a quarter of it with Shift

export class Cross {
  /** `line()` gives the points drawn so far, `put`, `grow`, `drawn` do the page's acts, `tell` says words. */
  constructor(view, acts) {
    this.view = view;
    this.acts = acts;
    this.at = null;
    this.held = -1;  // the point of the line that the arrows move instead of the cross
    this.mark = document.createElementNS(NS, "g");
    this.mark.setAttribute("class", "cross");
    view.svg.append(this.mark);
    view.svg.addEventListener("keydown", (event) => this.press(event));
    view.svg.addEventListener("focus", () => { if (view.svg.matches(":focus-visible")) this.show(); });
    view.svg.addEventListener("blur", () => this.mark.replaceChildren());
  }

  show() {
    const { x, y, w, h } = this.view.at;
    const [row, col] = this.place(x, y, w, h);
    this.mark.replaceChildren();
    for (const name of ["cross-halo", "cross-ink"]) {
      const path = document.createElementNS(NS, "path");
      path.setAttribute("class", name);
      path.setAttribute("d", `M${col - w * 0.03} ${row}h${w * 0.06}M${col} ${row - w * 0.03}v${w * 0.06}`);
      this.mark.append(path);
    }
  }

  /** Where the cross is: on the point that is held, else where it was, always in view. */
  place(x, y, w, h) {
    const held = this.acts.line()[this.held];
    if (held) return held;
    this.held = -1;
    const [row, col] = this.at ?? [y + h / 2, x + w / 2];
    this.at = [Math.min(y + h, Math.max(y, row)), Math.min(x + w, Math.max(x, col))];
    return this.at;
  }

  press(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = this.act(event.key, event.shiftKey);
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
    this.show();
  }

  act(key, fine) {
    const tool = this.acts.tool();
    const { x, y, w, h } = this.view.at;
    if (ARROWS[key]) {
      const [down, right] = ARROWS[key].map((one) => one * w * STEP * (fine ? 0.25 : 1));
      if (tool === "look") return () => this.view.move(right * 4, down * 4);
      return () => this.shift(down, right, this.place(x, y, w, h));
    }
    if (tool === "look") return null;
    if (key === " ") return () => this.put(tool, this.place(x, y, w, h));
    const line = this.acts.line();
    if (!line.length) return null;
    if (key === "[" || key === "]") return () => this.hold(line, key === "]" ? 1 : -1);
    if (key === "Escape" && this.held >= 0) return () => { this.at = [...line[this.held]]; this.held = -1; };
    if (key === "Delete" && this.held >= 0) return () => { line.splice(this.held, 1); this.held = -1; this.drawn(line); };
    return null;
  }

  shift(down, right, place) {
    const line = this.acts.line();
    const to = [place[0] + down, place[1] + right];
    if (this.held < 0) { this.at = to; return; }
    line[this.held] = to;
    this.acts.drawn();
  }

  put(tool, place) {
    if (tool === "grow") { this.acts.grow([...place]); return; }
    this.acts.put([...place]);
    this.drawn(this.acts.line());
  }

  hold(line, by) {
    this.held = this.held < 0 ? (by > 0 ? 0 : line.length - 1) : (this.held + by + line.length) % line.length;
    this.acts.tell(spoken("Point {n} of {all}: the arrows move it", { n: this.held + 1, all: line.length }));
  }

  drawn(line) {
    this.acts.drawn();
    this.acts.tell(spokenN("{n} point on the line", "{n} points on the line", line.length));
  }
}
