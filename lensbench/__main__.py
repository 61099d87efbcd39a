"""`python -m lensbench`: the program, where its name is not on the path."""

from lensbench.cli import run

if __name__ == "__main__":  # and not where a worker process loads it anew
    run()
