"""What may be believed: sensor tests in the manner of QARTOD, over the columns of a log."""
