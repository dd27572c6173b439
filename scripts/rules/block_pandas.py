"""Keep pandas out of the processes of scripts that don't need it.

pyarrow imports pandas with the first array that it makes, only to see whether it was given one of
its objects. That takes as long as all the rest of a job's start.
"""

import sys


class WithoutPandas:
    """Refuse to import pandas, so that pyarrow takes it for not installed."""

    @staticmethod
    def find_spec(fullname, path=None, target=None):
        """Refuse pandas, and leave every other module to the finders that follow."""
        if fullname == "pandas":
            raise ModuleNotFoundError("this script does without pandas", name=fullname)


sys.meta_path.insert(0, WithoutPandas)
