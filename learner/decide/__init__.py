"""What to do with a solution: proposal, rebase, when it is finished, where to go next."""
