"""Begin a detector: the folder ``template`` with a name filled in. `write` does it; nothing else here is run."""
