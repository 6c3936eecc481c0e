/* The C half of the pair that lock step is compared with: starts a program, sends it a line and waits for the answer, so many times, as
 * fast as it goes and without a time-out. For each number on its standard input it prints how many nanoseconds so many exchanges took.
 *   parent LINE PROGRAM */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static long long now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv) {
    int to[2], from[2];
    char line[512], answer[4096];
    long n;
    if (argc != 3 || snprintf(line, sizeof line, "%s\n", argv[1]) >= (int)sizeof line || pipe(to) || pipe(from)) return 2;
    switch (fork()) {
    case -1:
        return 2;
    case 0:
        dup2(to[0], 0);
        dup2(from[1], 1);
        close(to[0]), close(to[1]), close(from[0]), close(from[1]);
        execl(argv[2], argv[2], (char *)0);
        _exit(127);
    }
    close(to[0]), close(from[1]);
    while (scanf("%ld", &n) == 1) {
        long long begun = now();
        long i;
        for (i = 0; i < n; i++) {
            ssize_t got, all = 0;
            if (write(to[1], line, strlen(line)) != (ssize_t)strlen(line)) return 1;
            do { /* the answer is one line */
                got = read(from[0], answer + all, sizeof answer - (size_t)all);
                if (got <= 0) return 1;
                all += got;
            } while (answer[all - 1] != '\n');
        }
        printf("%lld\n", now() - begun);
        fflush(stdout);
    }
    return 0;
}
