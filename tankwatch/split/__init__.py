"""One large room watched by several watches: who holds which tank, and what moves when one dies."""
