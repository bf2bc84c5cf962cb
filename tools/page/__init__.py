"""The page: the live view in a browser, for any number of viewers; an observer of a run."""
