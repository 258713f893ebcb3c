"""Render the set.  python make.py --out DIR [--seed N] [--part i/n] [--only 3,7] [--depth shallow] [--samples 8] [--scale 1.0]

Writes DIR/images/*.jpg, DIR/masks/*.png and DIR/json/*.json; `python collect.py --out DIR` gathers truth.jsonl.
Needs Blender as a module (pip install bpy==4.5.* pillow scipy numpy<2.3).  Finished photos are skipped.
"""
import argparse
import json
import math
import os
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE)
import numpy as np
from PIL import Image
import bpy
import anatomy as A
import camera
import design
import distract
import scene as S


def one(spec, out, samples, threads, scale, tmp):
    rng = np.random.default_rng([spec["seed"], 500000 + spec["index"]])
    res = [int(round(r * scale / 2) * 2) for r in spec["res"]]
    S.reset(res, samples, spec["seed"] * 1000 + spec["index"], threads)
    sc = bpy.context.scene
    root = bpy.data.objects.new("root", None)
    sc.collection.objects.link(root)
    fw, D = spec["fw"], spec["D"]
    if res[1] > res[0]:
        fw = fw * 0.82
    faces, sec, hold = [], None, None
    if spec["kind"] == "bud":
        sec = A.section(spec, rng)
        fw = max(fw, 2 * sec["a"] * 1.25 * (1.0 if res[0] <= res[1] * 1.1 or not spec["eyepiece"] else 1.3))
        if spec["eyepiece"]:
            fw = max(fw, 2 * sec["a"] * 1.3 * max(1, res[0] / res[1]))
        faces, idim, rim = S.cut_face(sec, root, spec)
        H = {"shallow": rng.uniform(2.6, 4.0), "medium": rng.uniform(2.0, 3.2), "deep": rng.uniform(1.4, 2.6)}[spec["depth"]]
        Rc = rng.uniform(3.4, 5.4)
        zc = -H - Rc * 1.13 + 0.25          # top of the swollen node stays below the cut
        spec["shoulder"] = 0.5 * H * rng.uniform(0.3, 0.9)
        S.bud_side(sec, rim, root, rng, spec, H + 1.2)
        S.cane(root, rng, spec, Rc, zc, half=sec["b"], ang=spec["line_angle"])
        k = rng.random(len(sec["roots"])) < 0.7
        S.hairs(sec["roots"][k], sec["hdir"][k], sec["hz"][k], sec["wool"], root, rng)
        S.hairs(sec["roots"][~k], sec["hdir"][~k], sec["hz"][~k], sec["wool"] * np.array([0.66, 0.52, 0.38]), root, rng, name="wool2")
        hold = (Rc, zc)
    else:
        hold = distract.build(spec["distractor"], rng, spec, root)
    if sec:                                             # the whole face in the frame, a hair's breadth may be cut
        ro, asp, k = spec["roll"], res[1] / res[0], 1.0 if not spec["eyepiece"] else 1.12
        eh, ev = np.hypot(sec["a"] * np.cos(ro), sec["b"] * np.sin(ro)), np.hypot(sec["a"] * np.sin(ro), sec["b"] * np.cos(ro))
        fw = max(fw, k * 0.99 * eh / (0.5 - 0.6 * abs(spec["off"][0])), k * 0.99 * ev / asp / (0.5 - 0.6 * abs(spec["off"][1])))
    root.rotation_euler = (spec["tilt"][0], spec["tilt"][1], 0)
    low = (hold[1] - hold[0] if hold else (-0.2 if spec["distractor"] in ("empty_tray", "leaf") else -10)) - spec["bg_depth"] * (1 if hold else 0.05)
    S.background(rng, spec["background"] if not (spec["kind"] != "bud" and spec["distractor"] == "empty_tray" and rng.random() < 0.7) else "white_tray", low)
    if hold and spec["hold"] != "none":
        S.fingers(rng, spec["hold"], spec["line_angle"], hold[0], hold[1], fw, sec["b"] if sec else 2.6)
    fh = fw * res[1] / res[0]
    off = (spec["off"][0] * fw * 0.6, spec["off"][1] * fh * 0.6)
    cr, sr = math.cos(spec["roll"]), math.sin(spec["roll"])
    xy = (off[0] * cr - off[1] * sr, off[0] * sr + off[1] * cr)
    if spec["prop"] != "none" and spec["kind"] == "bud":
        e = np.array([0, -(fh / 2 - rng.uniform(-0.6, 1.0))])
        if sec["b"] + 2.0 < fh / 2 + 1.5:
            p = np.array([e[0] * cr - e[1] * sr, e[0] * sr + e[1] * cr]) + np.array(xy)
            # far end away from the bud: the card is pushed outside the face
            dist = np.hypot(*p)
            want = max(dist, sec["a"] + 3.6)
            p = p / dist * want
            (S.ruler if spec["prop"] == "ruler" else S.grey_card)(rng, spec["roll"] + 0 * rng.random() + rng.normal(0, 0.05), p, rng.uniform(-1.2, 0.1))
        else:
            spec["prop"] = "none"
    else:
        spec["prop"] = "none"
    rgb = S.lights(rng, spec["lighting"], D, xy)
    cam = S.camera(D, fw, res, spec["roll"], xy, spec["aperture"], spec["focus_dz"])
    path = os.path.join(tmp, "r.exr")
    a = S.render_to(path)
    rgb = np.asarray(rgb, float) / rgb[1]
    img, frame = camera.develop(a, spec, rgb, rng)
    mask = np.zeros(res[::-1], np.uint8)
    t = dict(file="images/" + spec["file"], kind=spec["kind"], width=res[0], height=res[1], lighting=spec["lighting"], blur=spec["blur"],
             defocus_px=round(spec["defocus_px"], 2), motion_px=round(spec["motion_px"], 2), exposure_ev=round(spec["ev"], 2), jpeg_quality=spec["jpeg"],
             eyepiece=spec["eyepiece"], background=spec["background"], held_by=spec["hold"] if hold else "none", prop=spec["prop"], mm_per_px=round(fw / res[0], 6), seed=spec["seed"], index=spec["index"])
    if spec["kind"] == "bud":
        outline = np.round(S.project(cam, root, rim[::5], res), 1).tolist()
        pr = {k: S.project(cam, root, [[*v["apex"], 0.0], [*v["centre"], 0.0]], res) for k, v in sec["info"].items()}
        mask, brown = S.id_pass(os.path.join(tmp, "m.exr"), faces, idim)
        mask[~frame] = 0
        tis = {}
        for i, k in enumerate(A.TISSUES):
            px = mask == i + 1
            n = int(px.sum())
            vis = k in sec["info"] and n >= 40
            d = dict(visible=bool(vis))
            if vis:
                st = spec["states"][k]
                d.update(verdict="dead" if st.startswith("dead") else "live", state=st, brown_fraction=round(float(brown[px].mean()), 4), area_px=n,
                         diameter_mm=round(2 * sec["info"][k]["radius"], 3), growing_point_px=[round(q, 1) for q in pr[k][0]], centre_px=[round(q, 1) for q in pr[k][1]])
            tis[k] = d
        t.update(kind="unusable" if spec["unusable"] else "bud", usable=spec["unusable"] is None, unusable_reason=spec["unusable"], has_cut_face=True,
                 cut_depth=spec["depth"], tilt_deg=round(math.degrees(math.hypot(*spec["tilt"])), 1), outline_px=outline, tissues=tis, dead_colour=spec["dead_colour"],
                 face_mm=[round(2 * sec["a"], 2), round(2 * sec["b"], 2)], wetness=round(spec["wet"], 2), cultivar={k: round(v, 2) for k, v in spec["cultivar"].items()})
    else:
        t.update(usable=False, has_cut_face=False, distractor=spec["distractor"], tissues={k: dict(visible=False) for k in A.TISSUES})
    stem = spec["file"][:-4]
    t["mask"] = "masks/" + stem + ".png"
    for d in ("images", "masks", "json"):
        os.makedirs(os.path.join(out, d), exist_ok=True)
    Image.fromarray(mask).save(os.path.join(out, t["mask"]), optimize=True)
    Image.fromarray(img).save(os.path.join(out, t["file"]), quality=spec["jpeg"])
    json.dump(t, open(os.path.join(out, "json", stem + ".json"), "w"))


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--out", required=True)
    ap.add_argument("--seed", type=int, default=20260)
    ap.add_argument("--part", default="0/1")
    ap.add_argument("--only", default="")
    ap.add_argument("--depth", default="", help="draw the same buds cut at this depth instead: shallow, medium or deep")
    ap.add_argument("--samples", type=int, default=8)
    ap.add_argument("--threads", type=int, default=1)
    ap.add_argument("--scale", type=float, default=1.0)
    o = ap.parse_args()
    specs = design.build(o.seed)
    i, n = map(int, o.part.split("/"))
    chosen = [s for k, s in enumerate(specs) if k % n == i]
    if o.only:
        ks = {int(v) for v in o.only.split(",")}
        chosen = [s for s in specs if s["index"] in ks and s["index"] % n == i]
    if o.depth:
        chosen = [dict(s, depth=o.depth) for s in chosen if s["kind"] == "bud"]
    with tempfile.TemporaryDirectory() as tmp:
        for s in chosen:
            if os.path.exists(os.path.join(o.out, "json", s["file"][:-4] + ".json")):
                continue
            t0 = time.time()
            one(s, o.out, o.samples, o.threads, o.scale, tmp)
            print("DONE", s["file"], s["kind"], s.get("distractor") or s.get("depth"), s["lighting"], round(time.time() - t0, 1), "s", flush=True)


if __name__ == "__main__":
    main()
