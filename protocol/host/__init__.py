"""The protocol on a host: link, calibration, evidence, recordings, samples in bulk."""
