"""The care of a tank on the screen: what is due, the record, and forms that check as one types."""
