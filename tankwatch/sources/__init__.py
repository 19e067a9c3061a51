"""Where readings come from. `base` is the contract; one file for each kind; `source_set` starts them all."""
