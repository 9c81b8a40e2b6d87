"""The numbered tags that are printed, drawn and read: one kind everywhere."""

TAG_DICTIONARY = "DICT_4X4_50"
"""OpenCV's name for them: four by four squares, numbers 0 to 49."""
TAG_MODULES = 6
"""Squares along a tag: those of the pattern, and its black border."""
MOST_TAGS = 48
"""Highest number in use: as many as a sheet holds."""
