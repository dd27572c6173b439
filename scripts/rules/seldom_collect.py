"""Search for garbage seldom: import this in a rule's script that draws pictures.

A picture is thousands of small objects. With the usual 700 new ones between two searches of
everything that was imported, these take a fifth of the time.
"""

import gc

gc.set_threshold(100_000)
