"""Things drawn for the scale, and a command that must stop."""

import cv2
import numpy as np


def drawn(shade, size=(640, 360), fine=3):
    """Photograph shade(x, y) with a little blur and noise, each pixel the mean of fine × fine points."""
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(
        (np.arange(size[0])[:, None] + offsets).ravel(), (np.arange(size[1])[:, None] + offsets).ravel()
    )
    grey = shade(x, y).reshape(size[1], fine, size[0], fine).mean(axis=(1, 3))
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + np.random.default_rng(7).normal(0.0, 1.5, grey.shape)
    return np.repeat(np.clip(grey + 0.5, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def strip_share(x, y, tip_x):
    """Share of a pixel that a rounded strip from the right covers: by its distance from the strip's outline."""
    return np.clip(18.5 - np.hypot(np.minimum(x - tip_x - 18.0, 0.0), y - 180.0), 0.0, 1.0)


def pointer(tip_x, *, behind=170.0, ink=40.0):
    """Draw a rounded strip from the right whose tip stands at tip_x, and a rim at the left."""

    def shade(x, y):
        share = strip_share(x, y, tip_x)
        return share * ink + (1.0 - share) * np.where(x < 325.0, 230.0, behind)

    return drawn(shade, fine=1)


ALONG = np.array([1.0, 0.0])
WIDE, HIGH, FINE = 640, 360, 5


def picture_of(shade):
    """Photograph shade(x, y), colours alike, with a little blur, noise and JPEG."""
    offsets = (np.arange(FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(*((np.arange(size)[:, None] + offsets).ravel() for size in (WIDE, HIGH)))
    grey = shade(x, y).reshape(HIGH, FINE, WIDE, FINE).mean(axis=(1, 3))
    noise = np.random.default_rng(3).normal(0.0, 2.0, (HIGH, WIDE, 3))
    drawn = np.clip(cv2.GaussianBlur(grey, (0, 0), 1.0)[:, :, None] + noise, 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, 92])[1], cv2.IMREAD_COLOR)


def squares(x, y, side_px):
    """Shade a board of squares."""
    return np.where((np.floor(x / side_px) + np.floor(y / side_px)) % 2 == 0, 225.0, 35.0)
