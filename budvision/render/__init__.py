"""Rendered photographs of cut buds with exact labels, for training, tests and the demo.

`standin/` is a second, independent renderer: the honest examiner, never trained on.

anatomy        Where things lie in a cut face: the outline and the three buds, all in frame pixels
arrangements   Where the three buds of a staged face lie, and a face round them
bench          What lies around the face: bench, cane, shoulder, fingers, rulers and other
               distractions
blade          What the blade and the bench leave on a face: chatter, smears, tears, slices, film,
               fingers
camera         The camera: lens, sensor, processing and file
cut            The door of the renderer: one photograph of a cut bud with its labels and its truth
examples       Training examples of the segmenter: frames, close crops and pictures to refuse
face           The cut face: ring of scales, wool, the buds in it, and what the blade left behind
fields         Random scalar fields: the independent ways in which a texture is drawn
injury         Injuries and colours of a staged tissue: rims, smears, cores, half-and-half,
               red-tinged green
lamp           Light on the scene: direction, shadow, highlights, colour, gradients
lens           The camera: lens, sensor, processing and file, from linear light to an sRGB picture
light          Light on the scene: relief, cast, gradients, shadows, highlights, exposure
negatives      Pictures that are not cut buds: whole buds, leaves, hands, charts, cups, eyes,
               cloth, noise
objects        Things that are not cut buds, painted into a scene: buds uncut, leaves, cups, eyes,
               scenery
palette        Colours of the rendered world, drawn in CIE LCh and handed over as linear-light RGB
photographs    Pieces of real photographs as texture: what scikit-learn and scikit-image ship
process        What cheap cameras and phones make of a picture: halos, chroma smear, tone
               mapping, denoising
samples        The photographs of `sample_images`: one sampling of an invented vineyard, two
               blocks
scene          The canvas that painters share: reflectance, relief, gloss, labels and brownness
shapes         Outlines: closed curves as (n, 2) arrays of (x, y) offsets, of about unit radius
staging        How a bud is staged: what benches bring that a tidy world lacks, each with its name
strays         Pictures that are not cut buds: whole buds, leaves, rings, charts, benches, noise
surroundings   What lies round the cut face: bench, cane with its bark, fingers, clutter,
               neighbours
tissue         One bud in the face: live, dead or part of each, drawn in ten independent ways
tissue_fields  Fields over one tissue: where a pixel lies in it, its leaf primordia, how dead it
               is
under          What a cut under the buds, or one that is tilted, shows: cambium, wood and pith
visible        What a person could see in a finished photograph, and of each tissue in it
world          The rendered world: what can differ between two photographs of cut buds, and how
               widely
zones          What lies in a cut face and is no bud: green cushion and cortex, the cane's wood,
               torn tissue
"""
