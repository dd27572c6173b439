"""An archive's configuration: every file read, checked and joined, every fault told at once."""

from grooveledger.configuration.archive import Archive, load, read_config
from grooveledger.configuration.schema_files import describe_settings

__all__ = ["Archive", "describe_settings", "load", "read_config"]
