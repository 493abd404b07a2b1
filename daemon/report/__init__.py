"""The history as a picture: one page for the browser and for paper, the status page, and the digest's chart."""
