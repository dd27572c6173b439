"""Stages 4 and 5: the archive's tables, and what they mean."""
