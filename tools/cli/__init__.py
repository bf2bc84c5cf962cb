"""The command `breathmap`: arguments in, one call, what came of it in words."""
