"""Where the planned tracks of a capture were found."""

import pyarrow as pa


def found_stretches(tracks: pa.Table) -> dict[int, tuple[float, float]]:
    """Return start and stop in seconds of each track that was found, by its number.

    Parameters
    ----------
    tracks : pyarrow.Table
        The tracks table of stage 1; missing and unexpected rows are passed over.
    """
    rows = tracks.select(["track", "match", "start_s", "stop_s"]).to_pylist()
    return {
        row["track"]: (row["start_s"], row["stop_s"]) for row in rows if row["match"] == "found"
    }
