"""Stage 1: where the planned tracks lie in a capture, and whether it can be measured."""
