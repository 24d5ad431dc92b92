"""One module a step; a step is never changed after a version with it was released."""
