"""Static pages about an archive: self-contained, for a disk or a web server, without a network."""
