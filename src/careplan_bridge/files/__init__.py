"""Opens and writes files, and finds what the package ships. The only room that does."""
