"""What the electrical load does to the treble, measured and calculated."""
