"""How long it takes to validate a photograph of 8 MB, in a file and before it is written.

One command: ``python tests/benchmarks/bench_validate.py [--brief] [--check]``

Prints medians of processor time in milliseconds, beside what reading the same file and searching
it once for the end of the image take in the same run: a validator that decodes no pixel cannot
be much faster.
"""

from __future__ import annotations

import argparse
import io
import re
import statistics
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "standard"))

from standard_photograph import JPEG_BASELINE, photograph, written

from archiver.standard.validator import validate_file, validate_instance

LIMIT_MS = 10.0
_MEGABYTES = 8.0


def stream() -> tuple[bytes, int, int]:
    """Return a noisy JPEG of about 8 MB with its rows and columns."""
    rng = np.random.default_rng(11)
    rows, columns = 4000, 6000
    coarse = rng.integers(40, 220, (25, 38, 3), dtype=np.uint8)
    shapes = Image.fromarray(coarse).resize((columns, rows), Image.Resampling.BICUBIC)
    noise = rng.normal(0, 6.0, (rows, columns, 1)).astype(np.int16)
    pixels = (np.asarray(shapes).astype(np.int16) + noise).clip(0, 255).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=90, subsampling="4:2:2")
    return buffer.getvalue(), rows, columns


def median_ms(action: Callable[[], object], times: int) -> float:
    """Return the median processor time of an action, which a busy machine does not stretch."""
    taken = []
    for _ in range(times):
        begun = time.process_time()
        action()
        taken.append((time.process_time() - begun) * 1000)
    return statistics.median(taken)


def main() -> int:
    """Measure, print, and with ``--check`` fail above the limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="fewer repetitions")
    parser.add_argument("--check", action="store_true", help="exit 1 where the limit is passed")
    options = parser.parse_args()
    times = 11 if options.brief else 51
    frame, rows, columns = stream()
    ds = photograph()
    ds.Rows, ds.Columns = rows, columns
    ds.LossyImageCompressionRatio = f"{rows * columns * 3 / len(frame):.3f}"
    del ds.PixelData
    padded = frame + b"\0" * (len(frame) % 2)
    head = b"\xe0\x7f\x10\x00OB\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\0\0\0\0\xfe\xff\x00\xe0"
    tail = b"\xfe\xff\xdd\xe0\0\0\0\0"
    data = written(ds) + head + struct.pack("<I", len(padded)) + padded + tail
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photograph.dcm"
        path.write_bytes(data)
        assert validate_file(path) == []
        in_file = median_ms(lambda: validate_file(path), times)
        reading = median_ms(path.read_bytes, times)
    assert validate_instance(ds, frame, JPEG_BASELINE) == []
    unwritten = median_ms(lambda: validate_instance(ds, frame, JPEG_BASELINE), times)
    marker = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
    searching = median_ms(lambda: marker.search(frame, 1000), times)
    scaled = in_file * _MEGABYTES / (len(data) / 1e6)
    print(f"object of {len(data) / 1e6:.1f} MB")
    print(f"validate the file          {in_file:6.2f} ms; {scaled:.2f} ms for 8 MB")
    print(f"validate before writing    {unwritten:6.2f} ms")
    print(f"  read the file            {reading:6.2f} ms")
    print(f"  search it for a marker   {searching:6.2f} ms")
    return 1 if options.check and scaled > LIMIT_MS else 0


if __name__ == "__main__":
    sys.exit(main())
