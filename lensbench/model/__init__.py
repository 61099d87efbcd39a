"""Words that everybody uses: errors, flags, units, and the records that rooms hand to each other."""
