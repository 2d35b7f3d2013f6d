"""Pictures as text: each function turns records into one SVG string for page and document."""
