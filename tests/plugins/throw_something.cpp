/* An exception nobody catches. */
extern "C" void throw_something() { throw 1; }
