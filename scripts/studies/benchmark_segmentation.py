"""Print how well tracks are found in random captures: precision, recall, and the errors of ends.

python scripts/studies/benchmark_segmentation.py [--layouts 500] [--first 0] [--verbose]
"""

import argparse
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile as sf
import yaml

import library_path  # noqa: F401
from grooveledger.schemas.states import TrackMatch
from grooveledger.segment.job import segment
from grooveledger.simulate.layouts import Layout, random_layout

RATE_HZ = 44_100
BLOCK = Path(__file__).parents[2] / "workflow/schemas/blocks/segment.yaml"
#: A silent groove may reach this far into its gaps, which in this study spread by a fifth.
SILENT_S = 0.5
#: Boundaries are asked for within this; an end further off than `STRAY_S` is another track's.
BOUNDARY_S, STRAY_S = 0.15, 1.0


class Score(NamedTuple):
    """Outcome of one layout; `ends_s` are the errors of all ends of found tracks.

    `loud` counts silent grooves that reach into a gap or a track.
    """

    right: int
    wrong: int
    missed: int
    flagged: bool
    ends_s: tuple[float, ...]
    loud: int
    silent: int


def score(layout: Layout, folder: Path, settings: dict[str, float]) -> Score:
    """Segment a layout's capture and compare with where its tracks were put."""
    path = folder / "layout.wav"
    sf.write(path, layout.samples, RATE_HZ, subtype="FLOAT")
    tracks, health = segment(path, layout.side, settings, "layout", sha256="")
    truth = {one.track: one for one in layout.placed}
    found = {
        row["track"]: row
        for row in tracks.to_pylist()
        if row["match"] == TrackMatch.FOUND
        and row["kind"] != "silent_groove"
        # What is left of speech that was cut short is passed over like all of it.
        and (row["kind"] != "other" or row["track"] in truth)
    }
    ends_s: list[float] = []
    right = 0
    for number, row in found.items():
        if number in truth and row["kind"] == "other":
            right += row["start_s"] < truth[number].stop_s and row["stop_s"] > truth[number].start_s
        elif number in truth:
            errors = (row["start_s"] - truth[number].start_s, row["stop_s"] - truth[number].stop_s)
            right += max(map(abs, errors)) < STRAY_S
            ends_s += errors
    flagged = health["status"].to_pylist()[0] != "ok"
    silent = {
        row["track"]: row
        for row in tracks.to_pylist()
        if row["match"] == TrackMatch.FOUND and row["kind"] == "silent_groove"
    }
    loud = sum(
        silent[one.track]["start_s"] < one.start_s - SILENT_S
        or silent[one.track]["stop_s"] > one.stop_s + SILENT_S
        for one in layout.silent
        if one.track in silent
    )
    wrong = len(found) - right
    return Score(right, wrong, len(truth) - right, flagged, tuple(ends_s), loud, len(silent))


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--layouts", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--verbose", action="store_true")
    arguments = parser.parse_args()
    block = yaml.safe_load(BLOCK.read_text(encoding="utf-8"))["properties"]
    settings = {key: value["default"] for key, value in block.items()}
    scores = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(arguments.first, arguments.first + arguments.layouts):
            layout = random_layout(seed, RATE_HZ)
            scores.append(score(layout, Path(folder), settings))
            last = scores[-1]
            if arguments.verbose and (last.wrong or last.missed or last.loud):
                print(seed, layout.event, last)
    right, wrong, missed = (sum(column) for column in zip(*(s[:3] for s in scores), strict=True))
    errors = np.abs([error for s in scores for error in s.ends_s])
    print(f"{len(scores)} captures, {right + missed} tracks")
    print(f"precision {100.0 * right / (right + wrong):.2f} %")
    print(f"recall    {100.0 * right / (right + missed):.2f} %")
    print(f"silent grooves {sum(s.silent for s in scores)}, too long {sum(s.loud for s in scores)}")
    print(f"wrong and not flagged {sum(s.wrong > 0 and not s.flagged for s in scores)}")
    print(f"missed and not flagged {sum(s.missed > 0 and not s.flagged for s in scores)}")
    print(
        f"ends off by {np.median(errors):.3f} s (median), {np.quantile(errors, 0.99):.3f} s (99 %)"
    )
    print(f"ends within {BOUNDARY_S} s: {100.0 * np.mean(errors < BOUNDARY_S):.2f} %")


if __name__ == "__main__":
    main()
