"""A webcam and a fixed pointer as a dial gauge for bicycle wheels, with a plan of which nipples to turn."""

__version__ = "0.1.0"
