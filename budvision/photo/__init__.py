"""Arrays in, arrays out: reading, judging, segmenting and measuring photographs of cuts.

Importing any module of this room imports OpenCV. On a bare Linux machine its system libraries
can be missing; the error then names the packages.

arrangement  From probabilities of each pixel to at most one region a tissue, in a possible
             arrangement
card         The printed photo card: markers round an opening, to scale, tilt, neutral white and
             cane base
card_layout  Where everything of a printed photo card stands, in millimetres
colour       White balance and CIELAB
decode       Bytes to pixels, format by format: identify, check before decoding, decode
exposure     Which tissues a cut shows, and whether what lies beside the primary is a bud at all
feature_table  Name, unit, range and meaning of each feature
features     Image and labels to one typed row a tissue
gate         Good, look yourself, or take it again: what may hide in a face that can still be judged
locate       Find the cut face in a whole photograph and cut the square round it
overlay      Outlines for people: each tissue by its own line and letter, told apart without
             colour
pool         Processes at the other end of pipes, and whose turn it is to have one
profiles     Embedded colour profiles to sRGB, relative colorimetric
quality      Sharp, lit and near enough to be judged? Which not, and what to do
read         File to upright sRGB plus capture facts: the only door for pixels
refusals     Why a photograph is refused, in plain words, each with the next step
rings        How much structure a green primary has: live centres have rings, cambium is smooth
segment      Find the cut face in a photograph and tell its tissues apart, by a compact network
segmenter    The network that finds and segments cut faces, run by onnxruntime: only this module
             knows it
tag          Cane tags: the text of their QR code, and reading it from a photograph
windows      The smallest rows and columns round a region, so that work is done only where it
             counts
workers      Processes that decode: a foreign photograph may end, stop or swell one of them, and
             no more
"""

from budvision.errors import MissingLibraryError

try:
    import cv2  # noqa: F401
except ImportError as error:
    raise MissingLibraryError(
        f"OpenCV could not be loaded ({error})",
        expected="the system libraries libGL and glib",
        do="Install them (Debian, Ubuntu: sudo apt-get install -y libgl1 libglib2.0-0), "
        "then run the command again.",
    ) from error
