"""What a record side holds, and on what it was played.

The classes are frozen views of checked configuration, each made from a plain mapping of builtins,
the form in which the workflow passes it to a job.
"""

from grooveledger.plan.cartridge import Cartridge
from grooveledger.plan.chain import Chain
from grooveledger.plan.record import Side, Track

__all__ = ["Cartridge", "Chain", "Side", "Track"]
