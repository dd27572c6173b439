"""What each job depends on, which results are stale, and what a run would do."""
