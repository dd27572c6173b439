"""Standards and physics: definitions with their numbers and sources."""
