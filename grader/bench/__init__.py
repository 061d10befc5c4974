"""A page on the grower's own computer: the phone takes a picture of the tray, the page shows it graded."""
