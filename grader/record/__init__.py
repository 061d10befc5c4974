"""The propagation record: what was stuck, what became of it, and what can be learned from that."""
