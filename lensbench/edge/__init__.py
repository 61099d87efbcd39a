"""From linear samples of one region to the edge line, ESF, LSF, SFR and figures with standard deviations."""
