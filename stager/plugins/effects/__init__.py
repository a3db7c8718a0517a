"""The steps that come with the program, and the host of VST3 effects."""
