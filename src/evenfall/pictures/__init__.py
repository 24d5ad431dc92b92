"""Each drawing once, for web, PDF and file: data in, SVG text out; one module for each."""
