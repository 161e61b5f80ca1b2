/* A shared library that is no plug-in. */
int nothing(void) { return 0; }
