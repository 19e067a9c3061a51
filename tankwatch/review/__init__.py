"""What happened: any stretch of time reconstructed from the store, and the reports of it."""
