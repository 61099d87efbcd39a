"""The state of a lens: tilt, decentring, field curvature, focus shift, astigmatism, lateral colour, distortion."""

from lensbench.condition.judge import lens_condition, with_quick_answer
