"""What trains and measures: networks, training, evaluation, cards and the learning curve.

`budvision.verdict` holds what proposes; it imports nothing from here.

adapt               Learn from a season's calls, starting from what the model in use knows
estimator           Try any classifier of scikit-learn on called tissues, and make a verdict model
                    of it
estimator_card      The card of a model with somebody's own classifier, written from facts
evaluate            Evaluate a model on rendered photographs that it has not seen: tables with
                    counts
gate_table          Count the gate's three answers, both ways: good photographs held up, bad ones
                    let through
learning_curve      How fast a laboratory's calls improve the model: measured on stand-in
                    photographs
lessons             Turn calls and measured tissues into examples to learn from, with what each is
                    worth
limits              Limits between live, unsure and dead from few calls: honest where calls are
                    few or slip
modelcard           The model's card: what it is, what it learned from, what was measured, beside
                    what was asked
montage             A sheet of held-out renders, the truth beside what was found, to be looked at
                    by people
network             The segmenter's network: small, U-shaped, plain operations that `cv2.dnn` runs
                    quickly
observe             Look at rendered photographs as the program looks at real ones, and keep what
                    is true beside it
onnx_network        Run a segmenter's ONNX file in torch, so that it can be trained on, and write
                    it back
rebuild             Build a model folder anew: train the verdict, evaluate, write card, metrics
                    and the registry
recipes             Two general recipes on the same pictures, for comparison: a fixed a* rule,
                    trainable pixels
region_training     Go on training the segmenter with corrected and confirmed regions, mixed with
                    renders
scenes              Photographs with their truth, in one form for every renderer, named by their
                    seeds
scoring             Scores of verdicts: right among those called, confusion, coverage against
                    error, calibration
segmenter_fit       Fit one network on a device to what the drawing processes have drawn
segmenter_loss      What the segmenter learns from: bent pictures, and the loss of its answers on
                    them
segmenter_plan      How a training of the segmenter goes: time, sizes, what is drawn, where it
                    starts
segmenter_pool      Training examples that drawing processes share with the trainer
segmenter_scores    Score label maps against the truth of renders: centres, overlap, swaps,
                    exposure, brownness
segmenter_start     Bring the weights of an exported segmenter into the network, so that training
                    goes on from it
segmenter_training  Train the segmenter on rendered photographs; needs the `train` extra (torch,
                    onnx)
strays              Learn which regions are no such tissue, from what people called *not exposed*
                    or moved
stress              Stress a model: each kind of trouble that benches bring as a slice, with counts
                    and intervals
traced              Examples cut out of a folder of path-traced photographs with masks and truth
train               Train a verdict model from feature rows and their truth
tune                Make a tuned verdict model out of lessons: correction, limits, novelty, and
                    how well it does
tuned_card          The card of a model tuned on a season's calls, written from facts; no section
                    is empty
whole_numbers       A segmenter whose network counts in whole numbers: the same weights, less than
                    half the time
winter_rates        What a model says of live and dead tissues on stand-in photographs: counts,
                    measured and kept
winters             Whole winters played on paper: known truth, a model's proposals, readers who
                    err and are led
"""
