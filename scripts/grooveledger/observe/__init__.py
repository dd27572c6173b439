"""Stage 2: the only signal processing; the sound as captured, in converter units, uncorrected."""
