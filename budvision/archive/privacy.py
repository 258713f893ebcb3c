"""Take places, owners and serial numbers out of photographs without touching their pixels.

Private values are overwritten in place (or their chunk left out), so the compressed picture data
stays as it was, byte for byte. A photograph that holds nothing private comes back unchanged.

References
----------
Exif 2.32 (CIPA DC-008), TIFF 6.0, PNG (ISO/IEC 15948), JPEG (ITU-T T.81), WebP container
(RFC 9649), ISO base media file format (ISO/IEC 14496-12). Tag numbers from memory of these.
"""

from __future__ import annotations

import re
import struct
import zlib

__all__ = ["without_private_metadata"]

_PRIVATE_TAGS = frozenset({
    0x010D,  # document name
    0x010E,  # image description
    0x013B,  # artist
    0x013C,  # host computer
    0x02BC,  # XMP packet
    0x8298,  # copyright
    0x83BB,  # IPTC
    0x8649,  # image resources
    0x927C,  # maker note: holds serial numbers
    0x9286,  # user comment
    0x9C9B, 0x9C9C, 0x9C9D, 0x9C9E, 0x9C9F,  # title, comment, author, keywords, subject
    0xA420,  # unique number of the image
    0xA430, 0xA431, 0xA435,  # owner, serial numbers of body and lens
    0xA436, 0xA437, 0xA438, 0xA439, 0xA43A, 0xA43B, 0xA43C,  # Exif 3.0: photographer, editors
    0xC62F, 0xC634, 0xC65D, 0xC68B,  # serial number, maker data, unique number, file name
    0xFDE8, 0xFDE9, 0xFDEA,  # owner, serial number, lens as some writers give them
})
_GPS_POINTER, _EXIF_POINTER = 0x8825, 0x8769
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_XMP = re.compile(rb"<\?xpacket begin=.*?<\?xpacket end=[^>]{0,12}>|<x:xmpmeta.*?</x:xmpmeta>",
                  re.DOTALL)


def without_private_metadata(data: bytes) -> bytes:
    """Return a photograph's bytes without GPS, owner, comments, maker notes and serial numbers.

    Parameters
    ----------
    data : bytes
        A JPEG, PNG, TIFF, WebP or HEIC file.

    Returns
    -------
    bytes
        Equal to `data` where nothing private was found; the coded picture is always the same.

    Notes
    -----
    Orientation, camera model, lens model, exposure and time stay. What a picture shows is not
    looked at. Whatever follows the end of a JPEG (a second picture, a film clip) is cut off.
    """
    if data[:3] == b"\xff\xd8\xff":
        return _jpeg(data)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _png(data)
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return _xmp_blanked(_blanked(data))
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _webp(data)
    if data[4:8] == b"ftyp":
        return _heic(data)
    return data


def _blanked(tiff: bytes) -> bytes:
    """Overwrite private values in a TIFF structure with zeros, keeping every offset."""
    out = bytearray(tiff)
    order = "<" if tiff[:2] == b"II" else ">"

    def blank(entry: int, kind: int, count: int) -> None:
        size = _TYPE_BYTES.get(kind, 1) * count
        if size <= 4:
            out[entry + 8:entry + 12] = b"\0\0\0\0"
            return
        offset = struct.unpack_from(order + "I", tiff, entry + 8)[0]
        end = min(offset + size, len(out))
        if 8 <= offset < end:
            out[offset:end] = bytes(end - offset)

    def walk(offset: int, *, everything: bool, seen: set[int]) -> None:
        if offset in seen or not 8 <= offset <= len(tiff) - 2 or len(seen) > 64:
            return
        seen.add(offset)
        n = struct.unpack_from(order + "H", tiff, offset)[0]
        entries = [offset + 2 + 12 * i for i in range(n) if offset + 14 + 12 * i <= len(tiff)]
        for entry in entries:
            tag, kind, count = struct.unpack_from(order + "HHI", tiff, entry)
            if tag in (_GPS_POINTER, _EXIF_POINTER) and not everything:
                target = struct.unpack_from(order + "I", tiff, entry + 8)[0]
                walk(target, everything=tag == _GPS_POINTER, seen=seen)
            elif everything or tag in _PRIVATE_TAGS:
                blank(entry, kind, count)
        if everything:  # an empty table of places
            out[offset:min(offset + 2 + 12 * n, len(out))] = bytes(
                min(offset + 2 + 12 * n, len(out)) - offset)
        following = offset + 2 + 12 * n
        if following + 4 <= len(tiff) and not everything:
            walk(struct.unpack_from(order + "I", tiff, following)[0], everything=False, seen=seen)

    if len(tiff) >= 8 and tiff[:4] in (b"II*\x00", b"MM\x00*"):
        walk(struct.unpack_from(order + "I", tiff, 4)[0], everything=False, seen=set())
    return bytes(out)


def _xmp_blanked(data: bytes) -> bytes:
    return _XMP.sub(lambda match: b" " * len(match.group()), data)


def _jpeg(data: bytes) -> bytes:
    out = bytearray(data[:2])
    offset = 2
    while offset + 4 <= len(data):
        if data[offset] != 0xFF:
            return bytes(out) + data[offset:]
        marker = data[offset + 1]
        if marker == 0xFF:  # fill byte
            out += data[offset:offset + 1]
            offset += 1
            continue
        if marker == 0xD9:
            break
        if 0xD0 <= marker <= 0xD7 or marker == 0x01:
            out += data[offset:offset + 2]
            offset += 2
            continue
        length = struct.unpack_from(">H", data, offset + 2)[0]
        segment = data[offset:offset + 2 + length]
        body = segment[4:]
        offset += 2 + length
        if marker == 0xE1 and body[:6] == b"Exif\0\0":
            out += segment[:10] + _blanked(body[6:])
        elif marker == 0xE2 and body[:4] == b"MPF\0":
            pass  # index of pictures behind the end, which are cut off
        elif marker in (0xE1, 0xED, 0xFE) or (0xE3 <= marker <= 0xEF and marker != 0xEE):
            pass  # XMP, IPTC, comments and makers' own segments
        else:
            out += segment
        if marker == 0xDA:
            end = _scan_end(data, offset)
            out += data[offset:end]
            offset = end
    return bytes(out) + data[offset:offset + 2]


def _scan_end(data: bytes, offset: int) -> int:
    """Return where the next marker stands that is neither stuffing nor a restart."""
    while True:
        offset = data.find(b"\xff", offset)
        if offset < 0 or offset + 1 >= len(data):
            return len(data)
        follows = data[offset + 1]
        if follows == 0x00 or 0xD0 <= follows <= 0xD7:
            offset += 2
        elif follows == 0xFF:
            offset += 1
        else:
            return offset


def _png(data: bytes) -> bytes:
    out = bytearray(data[:8])
    offset = 8
    while offset + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, offset)
        chunk = data[offset:offset + 12 + length]
        offset += 12 + length
        if kind in (b"tEXt", b"zTXt", b"iTXt", b"tIME"):
            continue
        if kind == b"eXIf":
            body = _blanked(chunk[8:-4])
            chunk = chunk[:8] + body + struct.pack(">I", zlib.crc32(kind + body))
        out += chunk
        if kind == b"IEND":
            return bytes(out)
    return bytes(out) + data[offset:]


def _webp(data: bytes) -> bytes:
    out = bytearray(data[:12])
    offset = 12
    while offset + 8 <= len(data):
        kind, length = data[offset:offset + 4], struct.unpack_from("<I", data, offset + 4)[0]
        body = data[offset + 8:offset + 8 + length]
        pad = data[offset + 8 + length:offset + 8 + length + (length & 1)]
        offset += 8 + length + (length & 1)
        if kind == b"EXIF":
            head = 6 if body[:6] == b"Exif\0\0" else 0
            body = body[:head] + _blanked(body[head:])
        elif kind == b"XMP ":
            body = b" " * len(body)
        out += kind + struct.pack("<I", length) + body + pad
    return bytes(out) + data[offset:]


def _heic(data: bytes) -> bytes:
    """Blank every Exif item; items lie anywhere in the file, so their heads are looked for."""
    out = bytearray(_xmp_blanked(data))
    for match in re.finditer(rb"Exif\0\0(?=II\*\0|MM\0\*)", data):
        end = min(len(data), match.end() + 65536)
        out[match.end():end] = _blanked(bytes(out[match.end():end]))
    return bytes(out)
