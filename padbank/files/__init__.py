"""The only readers and writers of sound, rigs, shows, sets and sheets."""
