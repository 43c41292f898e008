"""Sizes of hand files: the diameter at the tip in hundredths of a millimetre (ISO 3630-1).

The steps between sizes are common practice, no source: 06-08-10 by 2, 10-60 by 5, 60-140 by 10.
"""

SIZES = (*range(6, 10, 2), *range(10, 60, 5), *range(60, 141, 10))
