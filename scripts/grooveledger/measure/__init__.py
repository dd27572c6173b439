"""Stage 3: arithmetic from observations to figures. No audio is read."""
