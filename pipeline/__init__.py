"""feltpad's library: from the raw capture of a tape to its measured, corrected, sealed copies.

Pure functions and small frozen records. Nothing here prints, knows a command line or imports Prefect.
Start reading in ``tone.py``; ``DEVELOPERS.md`` has the map.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("feltpad")
except PackageNotFoundError:  # a checkout that was never installed
    __version__ = "0+unknown"
