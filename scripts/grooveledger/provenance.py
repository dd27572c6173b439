"""What a table says of its own origin."""

from collections.abc import Mapping
from typing import Any

from grooveledger.digests import digest


def provenance(job: Mapping[str, Any]) -> dict[str, str]:
    """Digests of the code and of everything else that a job's mapping holds."""
    return {"code": job["code"], "job": digest(job)}
