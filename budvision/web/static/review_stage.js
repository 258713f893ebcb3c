// The cuts of one bud, side by side, each with its caption.

import { spoken } from "./language.js";
import { CutView } from "./viewer.js";

const text = (name, className, words) => Object.assign(
  document.createElement(name), { className, textContent: words },
);

/** Said where outlines would stand over nothing. */
export const UNSEEN = spoken("This photograph cannot be shown now. What is not seen is not confirmed.");

/** Draw the cuts and return, for each, its view, figure, title and facts. */
export function buildStage(stage, { facts, tone, back, correcting }) {
  stage.replaceChildren();
  stage.toggleAttribute("data-cuts", facts.cuts.length > 1);
  stage.style.setProperty("--others", Math.max(1, facts.cuts.length - 1));
  const views = facts.cuts.map((cut) => {
    const figure = document.createElement("figure");
    figure.className = "cut";
    const named = Object.keys(cut.outlines)
      .map((one) => cut.doubted.includes(one) ? spoken("{tissue} (name doubtful)", { tissue: spoken(one) }) : spoken(one)).join(", ");
    const view = new CutView(cut, {
      tone, label: named ? spoken("Cut {cut}, outlined: {named}", { cut: cut.cut, named }) : spoken("Cut {cut}", { cut: cut.cut }),
    });
    const caption = document.createElement("figcaption");
    const title = document.createElement("span");
    title.className = "cut-title";
    caption.append(title);
    if (cut.drawn_by_person) caption.append(text("span", "", spoken("outlines or names set or corrected by hand")));
    if (correcting) {
      const link = document.createElement("a");
      link.href = `/review/cut/${cut.photo_id}/outlines?back=${encodeURIComponent(back)}`;
      link.textContent = spoken("correct outlines");
      link.setAttribute("aria-label", spoken("Correct the outlines of cut {cut}", { cut: cut.cut }));
      caption.append(link);
    }
    for (const reason of cut.reasons) {
      if (reason.look) {
        const place = reason.place ? ` ${spoken("The place is framed.")}` : "";
        caption.append(text("p", "reason look", `${spoken("Look yourself: {reason}", { reason: reason.text })}${place}`));
      } else caption.append(text("p", "reason", reason.text));
    }
    if (!cut.judged) caption.append(text("p", "reason", spoken("No proposal yet.")));
    const unseen = text("p", "reason unseen-photo", UNSEEN);
    view.base.addEventListener("error", () => { view.missing = true; caption.append(unseen); });
    view.base.addEventListener("load", () => { view.missing = false; unseen.remove(); });
    figure.append(view.svg, caption);
    stage.append(figure);
    return { view, figure, title, cut };
  });
  if (!views.length) {
    stage.append(text("p", "empty-stage", spoken("No photograph of this bud yet.")));
  }
  return views;
}
