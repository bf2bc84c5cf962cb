/* What the self-test needs of the machine it runs on: a way to print, and an end. */
#ifndef CONSOLE_H
#define CONSOLE_H

void console_text(const char *text);
void console_exit(int failures);

#endif
