"""An archive's configuration: files read, checked and joined, faults reported in one pass."""

from grooveledger.configuration.archive import Archive, load, read_config
from grooveledger.configuration.schema_files import describe_settings

__all__ = ["Archive", "describe_settings", "load", "read_config"]
