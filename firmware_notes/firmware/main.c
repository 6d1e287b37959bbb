#include "board.h"

int main(void)
{
    struct sample sample;
    hal_start();
    while (hal_wait(&sample))
        board_step(&sample);
    return 0;
}
