"""What pages and tables call things."""
