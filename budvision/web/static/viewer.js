// One cut of a bud: the photograph with its outlines, to be zoomed and moved. Everything is drawn
// in pixels of the upright photograph at full size, so that an outline needs no conversion.

const NS = "http://www.w3.org/2000/svg";
const LETTER = { primary: "P", secondary: "S", tertiary: "T" };

const make = (name, attributes = {}, parent = null) => {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent?.append(element);
  return element;
};

/** Address of the reduced picture of a cut's face. */
export const faceAddress = (cut, tone) =>
  `/review/cut/${cut.photo_id}/face/1000.jpg?v=${cut.version}${tone === "even" ? "&tone=even" : ""}`;

export class CutView {
  constructor(cut, { label = "", tone = "shot" } = {}) {
    this.cut = cut;
    this.tone = tone;
    const [row0, col0, row1, col1] = cut.box;
    const side = Math.max(row1 - row0, col1 - col0);
    this.home = {
      x: (col0 + col1 - side) / 2, y: (row0 + row1 - side) / 2, w: side, h: side,
    };
    this.at = { ...this.home };
    this.svg = make("svg", { class: "cut-view", role: "img", "aria-label": label, tabindex: "0" });
    this.base = make("image", {
      x: col0, y: row0, width: col1 - col0, height: row1 - row0, preserveAspectRatio: "none",
      href: faceAddress(cut, tone),
    }, this.svg);
    this.detail = make("image", { preserveAspectRatio: "none", visibility: "hidden" }, this.svg);
    this.lines = make("g", { class: "lines" }, this.svg);
    this.drawFrames();
    this.extra = make("g", { class: "extra-marks" }, this.svg);
    this.bar = make("g", { class: "mm-bar" }, this.svg);
    this.drawOutlines(cut.outlines);
    this.show();
    this.listen();
  }

  drawOutlines(outlines) {
    this.lines.replaceChildren();
    this.letters = [];
    for (const [tissue, one] of Object.entries(outlines)) {
      const group = make("g", { class: `line line-${tissue}`, "data-tissue": tissue }, this.lines);
      make("path", { class: "line-halo", d: one.path }, group);
      make("path", { class: "line-ink", d: one.path }, group);
      const text = make("text", { x: one.letter[0], y: one.letter[1], class: "line-letter" }, group);
      text.textContent = LETTER[tissue] + (this.cut.doubted?.includes(tissue) ? "?" : "");
      this.letters.push(text);
    }
    this.scaleMarks();
  }

  /** Frame the places that a person is asked to look at. */
  drawFrames() {
    const frames = make("g", { class: "frames" }, this.svg);
    for (const { look, place } of this.cut.reasons ?? []) {
      if (!look || !place) continue;
      const [y, x, row1, col1] = place;
      for (const name of ["frame-halo", "frame-ink"]) {
        make("rect", { class: name, x, y, width: col1 - x, height: row1 - y }, frames);
      }
    }
  }

  /** Bring one tissue's outline forward. */
  front(tissue) {
    for (const group of this.lines.children) {
      group.classList.toggle("line-front", group.dataset.tissue === tissue);
    }
  }

  setTone(tone) {
    this.tone = tone;
    this.base.setAttribute("href", faceAddress(this.cut, tone));
    this.detail.setAttribute("visibility", "hidden");
    this.rest();
  }

  show() {
    const { x, y, w, h } = this.at;
    this.svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    this.scaleMarks();
  }

  scaleMarks() {
    const size = this.at.w * 0.05;
    for (const text of this.letters ?? []) {
      text.setAttribute("font-size", size);
      text.setAttribute("dy", -size * 0.62);
    }
    this.bar?.replaceChildren();
    const mm = this.cut.mm_per_px;
    if (!mm || !this.bar) return;
    const length = [10, 5, 2, 1, 0.5, 0.2, 0.1].find((one) => one / mm < this.at.w * 0.4) ?? 0.1;
    const wide = length / mm;
    const x = this.at.x + this.at.w * 0.04;
    const y = this.at.y + this.at.h * 0.96;
    for (const name of ["bar-halo", "bar-ink"]) make("path", { class: name, d: `M${x} ${y}h${wide}` }, this.bar);
    const text = make("text", { x: x + wide / 2, y: y - size * 0.5, class: "bar-text", "font-size": size * 0.75 }, this.bar);
    text.textContent = `${length} mm`;
  }

  /** Zoom by a factor about a point of the photograph, the middle when left out. */
  zoom(factor, px = this.at.x + this.at.w / 2, py = this.at.y + this.at.h / 2) {
    const biggest = Math.max(this.home.w, this.cut.width_px, this.cut.height_px);
    const w = Math.min(biggest, Math.max(this.home.w / 24, 24, this.at.w / factor));
    const k = w / this.at.w;
    this.at = { x: px - (px - this.at.x) * k, y: py - (py - this.at.y) * k, w, h: w };
    this.move(0, 0);
  }

  move(dx, dy) {
    const room = this.at.w * 0.5;
    this.at.x = Math.min(this.cut.width_px - room, Math.max(room - this.at.w, this.at.x + dx));
    this.at.y = Math.min(this.cut.height_px - room, Math.max(room - this.at.h, this.at.y + dy));
    this.show();
    this.rest();
  }

  reset() {
    this.at = { ...this.home };
    this.detail.setAttribute("visibility", "hidden");
    this.show();
  }

  /** Position of a pointer in pixels of the photograph. */
  point(event) {
    const frame = this.svg.getBoundingClientRect();
    const side = Math.min(frame.width, frame.height);
    const left = frame.left + (frame.width - side) / 2;
    const top = frame.top + (frame.height - side) / 2;
    return [
      this.at.x + ((event.clientX - left) / side) * this.at.w,
      this.at.y + ((event.clientY - top) / side) * this.at.h,
    ];
  }

  /** Once the picture rests, fetch what is in view at the screen's own resolution. */
  rest() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetchDetail(), 140);
  }

  async fetchDetail() {
    const frame = this.svg.getBoundingClientRect();
    const side = Math.min(frame.width, frame.height) * (window.devicePixelRatio || 1);
    const [row0, col0, row1, col1] = this.cut.box;
    const outside = this.at.x < col0 - 1 || this.at.y < row0 - 1
      || this.at.x + this.at.w > col1 + 1 || this.at.y + this.at.h > row1 + 1;
    const have = 1000 / Math.max(row1 - row0, col1 - col0);
    if (!outside && side / this.at.w <= have * 1.05) return;
    const edge = this.at.w * 0.15;
    const box = [
      Math.max(0, Math.floor(this.at.y - edge)), Math.max(0, Math.floor(this.at.x - edge)),
      Math.min(this.cut.height_px, Math.ceil(this.at.y + this.at.h + edge)),
      Math.min(this.cut.width_px, Math.ceil(this.at.x + this.at.w + edge)),
    ];
    if (box[2] - box[0] < 2 || box[3] - box[1] < 2) return;
    const wanted = Math.max(64, Math.min(2400, Math.round(side * 1.3)));
    const address = `/review/cut/${this.cut.photo_id}/part.jpg?box=${box.join(",")}&side=${wanted}`
      + (this.tone === "even" ? `&tone=even&v=${this.cut.version}` : "");
    const picture = new Image();
    picture.src = address;
    try { await picture.decode(); } catch { return; }
    const set = { x: box[1], y: box[0], width: box[3] - box[1], height: box[2] - box[0], href: address };
    for (const [key, value] of Object.entries(set)) this.detail.setAttribute(key, value);
    this.detail.setAttribute("visibility", "visible");
  }

  listen() {
    const fingers = new Map();
    let apart = 0;
    this.svg.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, ...this.point(event));
    }, { passive: false });
    this.svg.addEventListener("dblclick", (event) => {
      if (!this.tool) this.zoom(2, ...this.point(event));
    });
    this.svg.addEventListener("pointerdown", (event) => {
      if (this.tool?.(event) === true) return;
      fingers.set(event.pointerId, event);
      apart = 0;
      this.svg.setPointerCapture(event.pointerId);
    });
    this.svg.addEventListener("pointermove", (event) => {
      const before = fingers.get(event.pointerId);
      if (!before) return;
      const frame = this.svg.getBoundingClientRect();
      const k = this.at.w / Math.min(frame.width, frame.height);
      fingers.set(event.pointerId, event);
      if (fingers.size === 1) {
        this.move((before.clientX - event.clientX) * k, (before.clientY - event.clientY) * k);
      } else {
        const [a, b] = [...fingers.values()];
        const now = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
        if (apart) this.zoom(now / apart, ...this.point({
          clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2,
        }));
        apart = now;
      }
    });
    for (const name of ["pointerup", "pointercancel"]) {
      this.svg.addEventListener(name, (event) => { fingers.delete(event.pointerId); apart = 0; });
    }
  }
}
