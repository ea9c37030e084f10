"""Statistics of sizes: numbers in, numbers out.

Knows: the one door of SciPy; sums of data are exact decimals, figures from distributions are floats.
Must not know: records, pages, charts as pictures, where the numbers came from.
"""
