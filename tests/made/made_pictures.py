"""Whole pictures with edges in known places, in linear light and as files."""

import cv2
import numpy as np
from exact_edges import Blur, Scene, esf_values, grid, profile_of

CARD, PAPER = 0.05, 0.7
REACH_PX = 60.0
"""Farther from an edge its spread is left as it is there."""


def card_picture(
    *, turn_deg=7.0, rows=600, cols=800, half_height=150.0, half_width=200.0, blur=None, snr=80.0, seed=0
):
    """A black card on white paper, turned: the product of four exact edges (corners are only nearly right)."""
    blur = blur or Blur(q=0.8, sigma_px=0.5)
    row, col = grid(rows, cols)
    turn = np.radians(turn_deg)
    across, along = col * np.cos(turn) + row * np.sin(turn), row * np.cos(turn) - col * np.sin(turn)
    profile = profile_of(blur, float(turn_deg % 90.0), REACH_PX)
    inside = np.ones_like(row)
    for distance in (half_width - across, half_width + across, half_height - along, half_height + along):
        inside = inside * profile(np.clip(distance, -REACH_PX, REACH_PX))
    picture = PAPER + (CARD - PAPER) * inside
    noise = np.random.default_rng(seed).standard_normal(picture.shape)
    return picture + (PAPER - CARD) / snr * noise, blur


def blank_picture(*, rows=600, cols=800, snr=80.0):
    """White paper, softly lit from one side, with noise."""
    row, col = grid(rows, cols)
    noise = np.random.default_rng(1).standard_normal(row.shape)
    return PAPER * (1.0 + 0.1 * col / cols - 0.05 * (row / rows) ** 2) + PAPER / snr * noise


def eight_bits(picture):
    """As a viewer would show it: square root for the tone curve."""
    return np.rint(255.0 * np.sqrt(np.clip(picture, 0.0, 1.0))).astype(np.uint8)


def write_linear(path, picture):
    """A grey file of 16 bits in linear light."""
    cv2.imwrite(str(path), np.rint(65535.0 * np.clip(picture, 0.0, 1.0)).astype(np.uint16))
    return path


def edge_picture(blur, angle_deg, *, rows=200, cols=180, snr=300.0):
    """One exact edge over a whole picture, with a little noise."""
    clean = CARD + (PAPER - CARD) * esf_values(blur, Scene(angle_deg=angle_deg, height=rows, width=cols))
    return clean + (PAPER - CARD) / snr * np.random.default_rng(7).standard_normal(clean.shape)
