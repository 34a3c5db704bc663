"""Charts, thresholds, spectra, trends and calibration; knows nothing of what is measured."""
