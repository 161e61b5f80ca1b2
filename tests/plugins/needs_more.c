/* A plug-in that needs a symbol no library has. */
extern int symbol_nobody_has(void);
const void *ladspa_descriptor(unsigned long index) { return index || symbol_nobody_has() ? 0 : "never"; }
