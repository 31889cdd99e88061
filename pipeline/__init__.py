"""Stillseason: from a small distiller's CSV batch logs to one account of the season.

One direction of flow: logs -> log tables -> account -> metrics -> charts -> pages.
"""

__version__ = "0.1.0"
