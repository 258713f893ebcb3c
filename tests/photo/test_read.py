"""The one door for pixels: orientations, depths, profiles, sizes and refusals."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import sys
import zlib
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from budvision.errors import PhotoError
from budvision.photo.read import MAX_PIXELS, read_photo

FIXTURES = Path(__file__).parent / "fixtures"
CORNERS = np.array([(200, 30, 30), (30, 170, 40), (30, 40, 190), (235, 235, 235)])


def quadrants(width: int = 720, height: int = 560) -> np.ndarray:
    """Red, green over blue, white: no turn or mirror leaves it as it is."""
    image = np.zeros((height, width, 3), np.uint8)
    image[: height // 2, : width // 2], image[: height // 2, width // 2 :] = CORNERS[:2]
    image[height // 2 :, : width // 2], image[height // 2 :, width // 2 :] = CORNERS[2:]
    return image


# How the camera's sensor stored an upright scene, from CIPA DC-008 (Exif 2.32), tag 0x0112:
# where the 0th row and the 0th column of the stored picture lie in the scene.
STORED = {
    1: lambda a: a,  # top, left
    2: lambda a: a[:, ::-1],  # top, right
    3: lambda a: a[::-1, ::-1],  # bottom, right
    4: lambda a: a[::-1],  # bottom, left
    5: lambda a: a.transpose(1, 0, 2),  # left, top
    6: lambda a: a[:, ::-1].transpose(1, 0, 2),  # right, top
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),  # right, bottom
    8: lambda a: a[::-1].transpose(1, 0, 2),  # left, bottom
}


def encode(array: np.ndarray, kind: str, **options: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(array)).save(buffer, kind, **options)
    return buffer.getvalue()


def exif(orientation: int) -> Image.Exif:
    tags = Image.Exif()
    tags[0x0112] = orientation
    tags[0x010F], tags[0x0110] = "Invented", "Pocket 7\0"
    inner = tags.get_ifd(0x8769)
    inner[0x9003], inner[0x9011] = "2026:02:11 09:30:15", "-08:00"
    return tags


def assert_quadrants(image: np.ndarray, tolerance: int = 4) -> None:
    rows, columns = image.shape[0] // 4, image.shape[1] // 4
    corners = [image[r, c] for r in (rows, -rows) for c in (columns, -columns)]
    np.testing.assert_allclose(np.array(corners, int), CORNERS, atol=tolerance)


@pytest.mark.slow
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
@pytest.mark.parametrize("max_side_px", [None, 360, 200])
def test_eight_orientations_are_applied_once(
    kind: str, orientation: int, max_side_px: int | None
) -> None:
    data = encode(STORED[orientation](quadrants()), kind, exif=exif(orientation), quality=95)
    photo = read_photo(data, max_side_px=max_side_px)
    assert (photo.width_px, photo.height_px) == (720, 560)
    assert photo.capture.orientation == orientation
    assert max(photo.image.shape[:2]) == (max_side_px or 720)
    assert photo.image.shape[1] > photo.image.shape[0]
    assert photo.scale == pytest.approx((max_side_px or 720) / 720)
    assert_quadrants(photo.image, 6)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_heic_is_turned_once(orientation: int) -> None:
    """The fixtures are ours, written by pillow-heif 1.8.1 with the turn in container and EXIF."""
    photo = read_photo(FIXTURES / f"orientation_{orientation}.heic")
    assert photo.capture.format == "HEIC"
    assert (photo.width_px, photo.height_px) == (720, 560)
    assert_quadrants(photo.image)
    assert photo.capture.make == "Invented"


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("order", ["<", ">"])
def test_sixteen_bit_tiff_is_turned_once(orientation: int, order: str) -> None:
    stored = np.ascontiguousarray(STORED[orientation](quadrants()).astype(np.uint16) * 257)
    photo = read_photo(deep_tiff(stored, orientation, order))
    assert_quadrants(photo.image, 1)
    assert (photo.width_px, photo.height_px) == (720, 560)


def deep_tiff(samples: np.ndarray, orientation: int, order: str) -> bytes:
    """Write an uncompressed 16-bit RGB TIFF by hand (TIFF 6.0)."""
    rows, columns, _ = samples.shape
    body = samples.astype(f"{order}u2").tobytes()
    tags = [
        (256, 4, 1, columns), (257, 4, 1, rows), (258, 3, 3, None), (259, 3, 1, 1), (262, 3, 1, 2),
        (273, 4, 1, None), (274, 3, 1, orientation), (277, 3, 1, 3), (278, 4, 1, rows),
        (279, 4, 1, len(body)), (284, 3, 1, 1),
    ]
    after = 8 + 2 + 12 * len(tags) + 4
    out = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    out += struct.pack(order + "H", len(tags))
    for tag, kind, count, value in tags:
        out += struct.pack(order + "HHI", tag, kind, count)
        if tag == 258:
            out += struct.pack(order + "I", after)
        elif tag == 273:
            out += struct.pack(order + "I", after + 6)
        elif kind == 3:
            out += struct.pack(order + "HH", value, 0)
        else:
            out += struct.pack(order + "I", value)
    return out + struct.pack(order + "I", 0) + struct.pack(order + "HHH", 16, 16, 16) + body


def test_twelve_bits_in_sixteen_are_not_black() -> None:
    samples = (quadrants().astype(np.uint32) * 4095 // 255).astype(np.uint16)
    assert_quadrants(read_photo(deep_tiff(samples, 1, "<")).image, 1)


def test_sixteen_bit_png_grey_and_colour() -> None:
    colour = cv2.imencode(".png", quadrants()[..., ::-1].astype(np.uint16) * 257)[1].tobytes()
    assert_quadrants(read_photo(colour).image, 1)
    ramp = np.tile(np.linspace(0, 65535, 700).astype(np.uint16), (500, 1))
    grey = read_photo(cv2.imencode(".png", ramp)[1].tobytes()).image
    assert grey.shape == (500, 700, 3)
    np.testing.assert_allclose(grey[0, :, 0], np.linspace(0, 255, 700), atol=1)


def test_modes_become_three_channels() -> None:
    base = Image.fromarray(quadrants())
    for mode, kind in (("L", "PNG"), ("L", "JPEG"), ("P", "PNG"), ("1", "PNG"), ("CMYK", "TIFF")):
        buffer = io.BytesIO()
        base.convert(mode).save(buffer, kind)
        image = read_photo(buffer.getvalue()).image
        assert image.shape == (560, 720, 3)
        assert image.dtype == np.uint8
    buffer = io.BytesIO()
    base.convert("CMYK").save(buffer, "JPEG", quality=95)
    assert_quadrants(read_photo(buffer.getvalue()).image, 6)
    base.convert("P", palette=Image.Palette.ADAPTIVE).save(buffer := io.BytesIO(), "PNG")
    assert_quadrants(read_photo(buffer.getvalue()).image, 4)
    base.save(buffer := io.BytesIO(), "BMP")
    assert_quadrants(read_photo(buffer.getvalue()).image, 0)


def test_transparent_parts_lie_over_white() -> None:
    array = np.dstack([quadrants(), np.full((560, 720), 255, np.uint8)])
    array[:, :100, 3] = 0
    image = read_photo(encode(array, "PNG")).image
    assert (image[:, :100] == 255).all()
    assert tuple(image[50, 200]) == (200, 30, 30)


def p3_profile() -> bytes:
    """Build a matrix profile with the Display P3 primaries (SMPTE EG 432-1), D50-adapted.

    The columns are the published ones (from memory, checked to add up to D50); the tone curve is
    sRGB's, taken from the library's own sRGB profile.
    """
    source = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = bytearray(source)
    columns = {
        b"rXYZ": (0.51512, 0.24120, -0.00105), b"gXYZ": (0.29198, 0.69225, 0.04189),
        b"bXYZ": (0.15710, 0.06657, 0.78407),
    }
    np.testing.assert_allclose(
        np.sum(list(columns.values()), axis=0), (0.9642, 1.0, 0.8249), atol=2e-4
    )
    for entry in range(struct.unpack(">I", data[128:132])[0]):
        tag, offset, size = struct.unpack(">4sII", data[132 + 12 * entry : 144 + 12 * entry])
        if tag in columns:
            fixed = [round(value * 65536) for value in columns[tag]]
            data[offset + 8 : offset + 20] = struct.pack(">iii", *fixed)
        if tag == b"desc":  # so that it is not taken for sRGB by its name
            text = bytes(data[offset : offset + size])
            at = offset + text.find("sRGB".encode("utf-16-be"))
            data[at : at + 8] = "P3  ".encode("utf-16-be")
    return bytes(data)


def test_display_p3_is_converted_to_srgb() -> None:
    """sRGB red is (234, 51, 35) in Display P3 8 bit (commonly published; from memory)."""
    stored = np.zeros((480, 700, 3), np.uint8)
    stored[:] = (234, 51, 35)
    data = encode(stored, "PNG", icc_profile=p3_profile())
    image = read_photo(data).image
    np.testing.assert_allclose(image[0, 0].astype(int), (255, 0, 0), atol=6)
    plain = read_photo(encode(stored, "PNG")).image
    assert tuple(plain[0, 0]) == (234, 51, 35)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert tuple(read_photo(encode(stored, "PNG", icc_profile=srgb)).image[0, 0]) == (234, 51, 35)


def test_broken_profile_leaves_the_pixels() -> None:
    data = encode(quadrants(), "PNG", icc_profile=b"nonsense" * 40)
    assert_quadrants(read_photo(data).image, 0)


def test_facts_and_hash(tmp_path: Path) -> None:
    data = encode(quadrants(), "JPEG", exif=exif(1))
    path = tmp_path / "no_extension"
    path.write_bytes(data)
    photo = read_photo(path)
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    taken = photo.capture.taken_at
    assert taken is not None
    assert taken.isoformat() == "2026-02-11T09:30:15-08:00"
    assert taken.utcoffset() == timedelta(hours=-8)
    assert (photo.capture.make, photo.capture.model) == ("Invented", "Pocket 7")
    assert photo.capture.n_bytes == len(data)
    assert read_photo(encode(quadrants(), "JPEG")).capture.taken_at is None


def test_reduced_decode_agrees_with_area_average() -> None:
    """OpenCV's reduced decode against decoding whole and averaging areas."""
    rng = np.random.default_rng(5)
    smooth = cv2.resize(rng.integers(0, 255, (30, 40, 3)).astype(np.uint8), (1600, 1200))
    data = encode(smooth, "JPEG", quality=95)
    whole = cv2.resize(read_photo(data).image, (400, 300), interpolation=cv2.INTER_AREA)
    reduced = read_photo(data, max_side_px=400)
    assert reduced.image.shape == (300, 400, 3)
    assert np.abs(reduced.image.astype(int) - whole).mean() < 2.0


def truncated(kind: str, keep: float) -> bytes:
    rng = np.random.default_rng(3)
    noisy = rng.integers(0, 255, (500, 700, 3)).astype(np.uint8)
    data = encode(noisy, kind)
    return data[: int(len(data) * keep)]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP"])
@pytest.mark.parametrize("keep", [0.02, 0.5, 0.97])
def test_truncated_files_are_refused(kind: str, keep: float) -> None:
    with pytest.raises(PhotoError, match="cut off or damaged") as caught:
        read_photo(truncated(kind, keep), name="half.img")
    assert caught.value.code == "truncated"
    assert caught.value.where == "half.img"


def test_truncated_heic_is_refused() -> None:
    data = (FIXTURES / "orientation_1.heic").read_bytes()
    for keep in (40, 600, len(data) - 60):
        with pytest.raises(PhotoError, match="cut off or damaged") as caught:
            read_photo(data[:keep])
        assert caught.value.code == "truncated"


def test_a_trailer_after_the_jpeg_is_no_damage() -> None:
    data = encode(quadrants(), "JPEG") + b"phone's own trailer" * 20
    assert_quadrants(read_photo(data).image, 6)
    progressive = encode(quadrants(), "JPEG", progressive=True)
    assert_quadrants(read_photo(progressive).image, 6)
    with pytest.raises(PhotoError, match="cut off"):
        read_photo(progressive[:-40])


def bomb_png(width: int, height: int) -> bytes:
    """A PNG that declares a huge size and holds a few bytes."""
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(
            ">I", zlib.crc32(kind + body)
        )
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 4000)) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(11000, 10001), (14000, 14000), (60000, 60000)])
def test_bombs_are_refused_before_decoding(size: tuple[int, int]) -> None:
    with pytest.raises(PhotoError, match="megapixels|declares") as caught:
        read_photo(bomb_png(*size))
    assert caught.value.code == "too_many_pixels"


@pytest.mark.slow
def test_a_hundred_megapixels_are_read() -> None:
    assert MAX_PIXELS >= 100_000_000
    data = encode(np.full((10_000, 10_000), 90, np.uint8), "JPEG", quality=30)
    photo = read_photo(data, max_side_px=1000)
    assert (photo.width_px, photo.height_px) == (10_000, 10_000)
    assert photo.image.shape == (1000, 1000, 3)


@pytest.mark.parametrize(
    ("data", "code", "match"),
    [
        (b"", "empty_file", "0 bytes"),
        (b"cane,node\n1,2\n" * 50, "not_an_image", "known format"),
        (b"%PDF-1.7 ......................", "not_an_image", "PDF"),
        (b"PK\x03\x04" + b"\0" * 40, "not_an_image", "zip"),
        (b"\0\0\0\x20ftypisom" + b"\0" * 40, "not_an_image", "film"),
    ],
)
def test_what_is_no_picture_is_refused(data: bytes, code: str, match: str, tmp_path: Path) -> None:
    path = tmp_path / "cane3_node5.jpg"
    path.write_bytes(data)
    with pytest.raises(PhotoError, match=match) as caught:
        read_photo(path)
    assert caught.value.code == code
    assert str(caught.value).startswith("cane3_node5.jpg: ")
    assert caught.value.do


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "GIF", "TIFF"])
def test_several_frames_are_refused(kind: str) -> None:
    frames = [Image.fromarray(np.roll(quadrants(), 40 * k, 1)) for k in range(3)]
    buffer = io.BytesIO()
    frames[0].save(buffer, kind, save_all=True, append_images=frames[1:])
    with pytest.raises(PhotoError, match="animated|pages") as caught:
        read_photo(buffer.getvalue())
    assert caught.value.code == "animated"


def test_small_pictures_are_refused_in_the_house_words() -> None:
    data = encode(quadrants(320, 240), "JPEG")
    with pytest.raises(PhotoError) as caught:
        read_photo(data, name="cane3_node5.jpg")
    assert str(caught.value) == (
        "cane3_node5.jpg: longest side is 320 px; expected at least 640. "
        "Send the original, not a copy from a chat."
    )
    assert caught.value.code == "too_small"
    assert read_photo(encode(quadrants(480, 640), "JPEG")).height_px == 640


def test_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="cannot be read") as caught:
        read_photo(tmp_path / "nothing.jpg")
    assert caught.value.code == "unreadable"
    with pytest.raises(PhotoError, match="cannot be read"):
        read_photo(tmp_path)


@pytest.mark.slow
def test_random_damage_never_raises_anything_else() -> None:
    rng = np.random.default_rng(11)
    texture = cv2.resize(rng.integers(0, 255, (40, 50, 3)).astype(np.uint8), (700, 500))
    for kind in ("JPEG", "PNG", "TIFF", "WEBP", "BMP"):
        original = np.frombuffer(encode(texture, kind), np.uint8)
        for _ in range(12):
            data = original.copy()
            where = rng.integers(0, min(data.size, 3000), 12)
            data[where] = rng.integers(0, 255, 12)
            try:
                photo = read_photo(data.tobytes())
            except PhotoError:
                continue
            assert photo.image.ndim == 3


def test_missing_system_libraries_are_named() -> None:
    """What `import cv2` does on a machine without libGL: the error names the packages."""
    code = (
        "import sys\n"
        "class Finder:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'cv2':\n"
        "            raise ImportError('libGL.so.1: cannot open shared object file')\n"
        "sys.meta_path.insert(0, Finder())\n"
        "from budvision.errors import MissingLibraryError\n"
        "try:\n"
        "    import budvision.photo.read\n"
        "except MissingLibraryError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "libgl1 libglib2.0-0" in done.stdout
