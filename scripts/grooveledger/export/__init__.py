"""The archive's tables for a spreadsheet."""
