"""Every sentence: codes and numbers in, words out. The place to read when a sentence is wrong, and the place to translate."""
