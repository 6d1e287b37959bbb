/* Conformance tool: fields in decimal on standard input, wire lines on standard output.
 *
 *     E seq time flags c0 c1 ...    M seq time count    T seq time ticks    B seq time button
 *     H seq time board channels rate
 */
#include "wire.h"

#include <stdio.h>
#include <stdlib.h>

int main(void)
{
    char text[512];
    char line[WIRE_MAX_LINE];
    while (fgets(text, sizeof text, stdin) != NULL) {
        unsigned long field[3 + WIRE_MAX_CHANNELS] = {0};
        uint16_t counts[WIRE_MAX_CHANNELS];
        char *at = text + 1;
        uint8_t fields = 0;
        while (fields < 3 + WIRE_MAX_CHANNELS) {
            char *end;
            field[fields] = strtoul(at, &end, 10);
            if (end == at)
                break;
            at = end;
            fields++;
        }
        uint16_t seq = (uint16_t)field[0];
        uint32_t time_us = (uint32_t)field[1];
        uint8_t length = 0;
        switch (text[0]) {
        case 'E':
            for (uint8_t i = 3; i < fields; i++)
                counts[i - 3] = (uint16_t)field[i];
            length = wire_edge(line, seq, time_us, (uint8_t)field[2], counts, (uint8_t)(fields > 3 ? fields - 3 : 0));
            break;
        case 'M':
            length = wire_mark(line, seq, time_us, (uint16_t)field[2]);
            break;
        case 'T':
            length = wire_ticks(line, seq, time_us, (uint32_t)field[2]);
            break;
        case 'B':
            length = wire_button(line, seq, time_us, (uint8_t)field[2]);
            break;
        case 'H':
            length = wire_hello(line, seq, time_us, (uint32_t)field[2], (uint8_t)field[3], (uint16_t)field[4]);
            break;
        default:
            fprintf(stderr, "encode: expected a line that begins with E, M, T, B or H, got: %s", text);
            return 1;
        }
        if (fwrite(line, 1, length, stdout) != length)
            return 1;
    }
    return 0;
}
