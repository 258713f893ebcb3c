"""Arrays in, arrays out: reading, judging, segmenting and measuring photographs of cuts.

Importing any module of this room imports OpenCV. On a bare Linux machine its system libraries
can be missing; the error then names the packages.
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
