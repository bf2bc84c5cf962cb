"""A calibration job: a folder on disk, from `new` to `finish`."""
