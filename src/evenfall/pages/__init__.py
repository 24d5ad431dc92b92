"""Results as pages: the bench sheet and the certificate, on paper and on screen."""
