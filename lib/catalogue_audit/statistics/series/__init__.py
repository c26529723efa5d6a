"""Statistics along capture time: clocks, runs, steps, trends, control limits."""
