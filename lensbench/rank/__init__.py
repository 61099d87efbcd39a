"""Near-identical frames put in order of sharpness."""

from lensbench.rank.order import PairOdds, RankedFrame, Ranking
from lensbench.rank.rank import frames_of, rank
