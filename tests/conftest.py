"""What holds for every test: one thread for linear algebra, as in the program; more would only wait for each other."""

from lensbench.cli.main import one_thread

one_thread()  # before numpy is imported
