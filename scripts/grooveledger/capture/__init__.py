"""Reading captures in blocks, and the facts of a recording."""
