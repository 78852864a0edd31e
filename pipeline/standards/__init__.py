"""One module per standard: its numbers, each with unit, edition and how surely it is known."""
