"""Stage 2: the only signal processing; what was heard, in converter units, uncorrected."""
