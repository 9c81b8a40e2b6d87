"""Figures, the overlay on a frame and the evidence pages; all are returned, none is saved.

Parts are imported by their own names: matplotlib, which most need, takes longer to load than a frame to mark.
"""
