"""Charts, thresholds, spectra and trends; knows nothing of what is measured."""
