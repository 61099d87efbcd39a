"""What a report says: every sentence of a finding, in one vocabulary."""
