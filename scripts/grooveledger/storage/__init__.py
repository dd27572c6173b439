"""Parquet in and out, whole files only, and where a result came from."""
