/* Makes the n-th call to the disk below one path fail, for tests: loaded before the C library by LD_PRELOAD.
 *
 * INJECT_UNDER  only files below this path count
 * INJECT_KIND   "write" (what changes the disk) or "read"
 * INJECT_AT     the call that fails, from 1; 0 only counts
 * INJECT_FAULT  an errno, or "short": half of what was asked for is done
 * INJECT_COUNT  file into which the number of calls is written at the end
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static atomic_long count;
static atomic_int ending;

static int is_under(const char *path) {
    const char *under = getenv("INJECT_UNDER");
    return under && path && !strncmp(path, under, strlen(under));
}

static int fd_is_under(int fd) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return is_under(path);
}

static int at_is_under(int fd, const char *path) {
    return path && path[0] == '/' ? is_under(path) : fd_is_under(fd);
}

/* 0: as ever; 1: fails, errno is set; 2: does half. `whole` says that the call can do half or be interrupted. */
static int hit(const char *kind, int partial) {
    const char *wanted = getenv("INJECT_KIND"), *at = getenv("INJECT_AT"), *fault = getenv("INJECT_FAULT");
    if (ending || !wanted || !at || !fault || strcmp(kind, wanted)) return 0;
    int is_short = !strcmp(fault, "short");
    if ((is_short || atoi(fault) == EINTR) && !partial) return 0;
    if (atomic_fetch_add(&count, 1) + 1 != atol(at)) return 0;
    if (is_short) return 2;
    errno = atoi(fault);
    return 1;
}

#define NEXT(type, name, ...) \
    static type (*next)(__VA_ARGS__); \
    if (!next) next = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static int opens_to_write(int flags) { return (flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC)) != 0; }

#define OPEN(symbol) \
    int symbol(const char *path, int flags, ...) { \
        NEXT(int, #symbol, const char *, int, ...); \
        va_list list; va_start(list, flags); int mode = va_arg(list, int); va_end(list); \
        if (is_under(path) && hit(opens_to_write(flags) ? "write" : "read", 1) == 1) return -1; \
        return next(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(symbol) \
    int symbol(int at, const char *path, int flags, ...) { \
        NEXT(int, #symbol, int, const char *, int, ...); \
        va_list list; va_start(list, flags); int mode = va_arg(list, int); va_end(list); \
        if (at_is_under(at, path) && hit(opens_to_write(flags) ? "write" : "read", 1) == 1) return -1; \
        return next(at, path, flags, mode); \
    }
OPENAT(openat)
OPENAT(openat64)

#define HALF(n) ((n) > 1 ? (n) / 2 : (n))

ssize_t write(int fd, const void *from, size_t n) {
    NEXT(ssize_t, "write", int, const void *, size_t);
    int how = fd > 2 && fd_is_under(fd) ? hit("write", 1) : 0;
    return how == 1 ? -1 : next(fd, from, how == 2 ? HALF(n) : n);
}

ssize_t writev(int fd, const struct iovec *from, int n) {
    NEXT(ssize_t, "writev", int, const struct iovec *, int);
    int how = fd > 2 && fd_is_under(fd) ? hit("write", 1) : 0;
    return how == 1 ? -1 : next(fd, from, how == 2 ? HALF(n) : n);
}

ssize_t pwrite64(int fd, const void *from, size_t n, off_t where) {
    NEXT(ssize_t, "pwrite64", int, const void *, size_t, off_t);
    int how = fd_is_under(fd) ? hit("write", 1) : 0;
    return how == 1 ? -1 : next(fd, from, how == 2 ? HALF(n) : n, where);
}

ssize_t copy_file_range(int from, off64_t *a, int to, off64_t *b, size_t n, unsigned flags) {
    NEXT(ssize_t, "copy_file_range", int, off64_t *, int, off64_t *, size_t, unsigned);
    int how = fd_is_under(to) ? hit("write", 1) : 0;
    return how == 1 ? -1 : next(from, a, to, b, how == 2 ? HALF(n) : n, flags);
}

ssize_t read(int fd, void *into, size_t n) {
    NEXT(ssize_t, "read", int, void *, size_t);
    int how = fd > 2 && fd_is_under(fd) ? hit("read", 1) : 0;
    return how == 1 ? -1 : next(fd, into, how == 2 ? HALF(n) : n);
}

ssize_t pread64(int fd, void *into, size_t n, off_t where) {
    NEXT(ssize_t, "pread64", int, void *, size_t, off_t);
    int how = fd_is_under(fd) ? hit("read", 1) : 0;
    return how == 1 ? -1 : next(fd, into, how == 2 ? HALF(n) : n, where);
}

#define ON_FD(symbol) \
    int symbol(int fd) { \
        NEXT(int, #symbol, int); \
        return fd_is_under(fd) && hit("write", 0) == 1 ? -1 : next(fd); \
    }
ON_FD(fsync)
ON_FD(fdatasync)

#define ON_PATH(symbol) \
    int symbol(const char *path) { \
        NEXT(int, #symbol, const char *); \
        return is_under(path) && hit("write", 0) == 1 ? -1 : next(path); \
    }
ON_PATH(unlink)
ON_PATH(rmdir)

int mkdir(const char *path, mode_t mode) {
    NEXT(int, "mkdir", const char *, mode_t);
    return is_under(path) && hit("write", 0) == 1 ? -1 : next(path, mode);
}

int chmod(const char *path, mode_t mode) {
    NEXT(int, "chmod", const char *, mode_t);
    return is_under(path) && hit("write", 0) == 1 ? -1 : next(path, mode);
}

int rename(const char *from, const char *to) {
    NEXT(int, "rename", const char *, const char *);
    return is_under(to) && hit("write", 0) == 1 ? -1 : next(from, to);
}

int link(const char *from, const char *to) {
    NEXT(int, "link", const char *, const char *);
    return is_under(to) && hit("write", 0) == 1 ? -1 : next(from, to);
}

int unlinkat(int at, const char *path, int flags) {
    NEXT(int, "unlinkat", int, const char *, int);
    return at_is_under(at, path) && hit("write", 0) == 1 ? -1 : next(at, path, flags);
}

int ftruncate64(int fd, off_t length) {
    NEXT(int, "ftruncate64", int, off_t);
    return fd_is_under(fd) && hit("write", 0) == 1 ? -1 : next(fd, length);
}

__attribute__((destructor)) static void tell(void) {
    ending = 1;
    const char *name = getenv("INJECT_COUNT");
    FILE *file = name ? fopen(name, "w") : NULL;
    if (!file) return;
    fprintf(file, "%ld\n", (long)count);
    fclose(file);
}
