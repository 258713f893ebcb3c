"""How long the bench waits: a photograph of 12 megapixels, from its upload to the answer.

    python tests/benchmarks/bench.py [PHOTOGRAPHS]

On a quiet machine. Sample photographs, enlarged and with a sensor's noise so that none is like
another, are sent to `budvision serve` one after the other as the page sends them, after the model
was loaded. Seconds by the clock, and of processor time of the server and its decoding processes.
Exit code 1 where one took a second or more while half of the machine had nothing else to do.
"""

from __future__ import annotations

import http.cookiejar
import json
import os
import re
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path

import cv2
import numpy as np
from test_propose_speed import idle_share

from budvision.settings import samples_folder

OURS = [sys.executable, "-m", "budvision.cli.main"]
MOST_S = 1.0


def photographs(number: int) -> list[bytes]:
    """Return photographs of 4000 x 3000 pixels as JPEG."""
    rng = np.random.default_rng(12)
    made = []
    for path in sorted(samples_folder().glob("apricot_c*_k1.jpg"))[:number]:
        image = cv2.resize(cv2.imread(str(path)), (4000, 3000), interpolation=cv2.INTER_CUBIC)
        noisy = np.clip(image + rng.normal(0, 5, image.shape), 0, 255).astype(np.uint8)
        made.append(cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes())
    return made


class Phone:
    """A browser at the bench of the first sampling."""

    def __init__(self, address: str) -> None:
        self.address = address.rstrip("/")
        self.open = urllib.request.build_opener(
            urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())).open
        self._token("/me")
        form = {"csrf_token": self.token, "name": "Wren Adeyemi", "role": "technician"}
        self.open(f"{self.address}/me", urllib.parse.urlencode(form).encode()).read()
        self._token("/bench/1")

    def _token(self, path: str) -> None:
        page = self.open(self.address + path).read().decode()
        found = re.search(r'name="csrf-token" content="([^"]+)"', page)
        assert found is not None
        self.token = found[1]

    def wait_for_the_model(self) -> None:
        """Wait until the model is loaded, as the page does."""
        while json.load(self.open(f"{self.address}/bench/1/board"))["model_loading"]:
            time.sleep(0.2)

    def shoot(self, data: bytes, node: int) -> str:
        """Send a photograph of a node's first cut; return the answer's headline."""
        edge = "----bench"
        parts = [f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'
                 for name, value in (("cane", "1"), ("node", node), ("cut", 1))]
        head = (f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="{node}.jpg"'
                "\r\nContent-Type: image/jpeg\r\n\r\n")
        body = "".join(parts).encode() + head.encode() + data + f"\r\n--{edge}--\r\n".encode()
        sent = urllib.request.Request(f"{self.address}/bench/1/photo", body, {
            "Content-Type": f"multipart/form-data; boundary={edge}", "X-CSRFToken": self.token,
            "Accept": "application/json"})
        answer = json.load(self.open(sent))["answer"]
        assert answer is not None, "there was no model"
        return str(answer["headline"])


def spent_s(group: int) -> float:
    """Return the processor time of all processes of a group, s."""
    ticks = 0
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group:
            ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def main() -> int:
    """Print what each took; return the exit code."""
    made = photographs(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
    with tempfile.TemporaryDirectory(prefix="budvision-bench-") as home:
        folder, first = Path(home) / "winter", Path(home) / "Creek_1_n1_c1.jpg"
        first.write_bytes(sorted(samples_folder().glob("river_c*_k1.jpg"))[0].read_bytes())
        for words in (["init", str(folder)], ["intake", str(first), "--sampling", "feb",
                                              "--no-propose", "--season", str(folder)]):
            subprocess.run([*OURS, *words], check=True, capture_output=True)
        with subprocess.Popen([*OURS, "serve", "--season", str(folder), "--port", "0"],
                              stderr=subprocess.PIPE, text=True, start_new_session=True) as server:
            assert server.stderr is not None
            phone = Phone(server.stderr.readline().split()[1])
            phone.wait_for_the_model()
            took = []
            for node, data in enumerate(made, 2):
                before, begun = spent_s(server.pid), time.perf_counter()
                headline = phone.shoot(data, node)
                took.append(time.perf_counter() - begun)
                print(f"{len(data) / 1e6:.1f} MB: {took[-1]:.2f} s, processor "
                      f"{spent_s(server.pid) - before:.2f} s: {headline}", flush=True)
            server.terminate()
    idle = idle_share()
    print(f"median {np.median(took):.2f} s, slowest {max(took):.2f} s; {idle:.0%} of the machine "
          "had nothing to do afterwards")
    return int(max(took) >= MOST_S and idle > 0.5)


if __name__ == "__main__":
    sys.exit(main())
