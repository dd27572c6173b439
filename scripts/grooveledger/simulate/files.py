"""Writing captures in every format of the sheet."""

from pathlib import Path

import numpy as np
import soundfile as sf

from grooveledger.storage.atomic_write import written_whole

#: Formats by file name and by the name of the sample format.
FORMATS = {
    ".wav": "WAV",
    ".flac": "FLAC",
    ".aiff": "AIFF",
    ".w64": "W64",
    ".rf64": "RF64",
    ".caf": "CAF",
}
#: Of a FLAC file, 0 to 1: the quickest; noise does not compress anyway.
COMPRESSION = 0.0
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT"}


def write_capture(
    path: str | Path, samples: np.ndarray, sample_rate_hz: int, bits: str = "24"
) -> None:
    """Write a capture whole or not at all; the format follows from the name's ending.

    Parameters
    ----------
    path : str or Path
        Ending in .wav, .flac, .aiff, .w64, .rf64 or .caf.
    samples : ndarray, shape (n, channels)
        Full scale 1.
    bits : {'16', '24', '32', 'float'}
        Sample format.
    """
    path = Path(path)
    with written_whole(path) as scratch:
        sf.write(
            scratch,
            samples,
            sample_rate_hz,
            subtype=SUBTYPES[bits],
            format=FORMATS[path.suffix.lower()],
            compression_level=COMPRESSION if path.suffix.lower() == ".flac" else None,
        )
