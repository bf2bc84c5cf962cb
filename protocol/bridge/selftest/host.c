/* The self-test's console on a computer. */
#include <stdio.h>
#include <stdlib.h>

#include "console.h"

void console_text(const char *text) { fputs(text, stdout); }

void console_exit(int failures) { exit(failures); }
