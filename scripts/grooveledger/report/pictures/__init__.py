"""Pictures of what was measured, from the tables alone: drawn once, vector and PNG."""
