"""How much the program reads of one file: what is larger is told and not read.

The limits keep what a file from a stranger can cost to seconds and some hundred megabytes. They
are wide of what problems need: ten thousand devices and as many streams fit, more in CSV files.
"""

from __future__ import annotations

LARGEST_FILE_BYTES = 10_000_000
LARGEST_RESULT_BYTES = 30_000_000
MOST_LINES = 200_000
LARGEST_UNPACKED_BYTES = 100_000_000
DEEPEST = 40
MOST_VALUES = 300_000
MOST_RESULT_VALUES = 1_500_000
MOST_DIRECTIVES = 100
MOST_INNER = 10_000
LONGEST_VALUE = 10_000
LONGEST_NUMBER = 100
MOST_ROWS = 50_000
MOST_COLUMNS = 100
LONGEST_ROW_LINE = 20_000
MOST_FINDINGS = 1_000
LONGEST_SOURCE_LINE = 1_000
RETOLD_CHARACTERS = 40_000
MOST_COMPARED = 100_000
