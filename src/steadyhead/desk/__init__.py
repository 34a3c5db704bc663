"""The alert desk: every change of an alert, with its audit; findings, proofs of repair, alarm load."""
