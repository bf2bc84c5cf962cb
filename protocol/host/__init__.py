"""The protocol on a host: link, calibration, evidence, recordings, fast codecs."""
