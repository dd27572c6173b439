"""Every table and column: type, unit and meaning, one module a stage.

A job imports only its own stage's module: a column added to a later stage re-runs nothing here.
"""
