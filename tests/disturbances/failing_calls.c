/* Calls of the system that fail on request, for files in one folder: loaded before the C library (LD_PRELOAD).

   FAIL_FOLDER  only files whose path begins with it; FAIL_CALL  open, read, write, fsync, rename, link, unlink, close;
   FAIL_ERROR   number of the error, 0 for a short read or write; FAIL_AT  the first call that fails, from 1;
   FAIL_TIMES   how many then fail.
   FAIL_NOTE    a file that one line is added to for each call that failed. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static atomic_int seen;
static int (*real_open)(const char *, int, ...), (*real_open64)(const char *, int, ...);
static ssize_t (*real_read)(int, void *, size_t), (*real_write)(int, const void *, size_t);
static int (*real_fsync)(int), (*real_close)(int), (*real_unlink)(const char *);
static int (*real_rename)(const char *, const char *), (*real_link)(const char *, const char *);

/* At the start: looking them up in a forked child could wait for a lock for ever. */
__attribute__((constructor)) static void look_up(void) {
    real_open = dlsym(RTLD_NEXT, "open");
    real_open64 = dlsym(RTLD_NEXT, "open64");
    real_read = dlsym(RTLD_NEXT, "read");
    real_write = dlsym(RTLD_NEXT, "write");
    real_fsync = dlsym(RTLD_NEXT, "fsync");
    real_close = dlsym(RTLD_NEXT, "close");
    real_unlink = dlsym(RTLD_NEXT, "unlink");
    real_rename = dlsym(RTLD_NEXT, "rename");
    real_link = dlsym(RTLD_NEXT, "link");
}

static int below(const char *path) {
    const char *folder = getenv("FAIL_FOLDER");
    return folder && strncmp(path, folder, strlen(folder)) == 0;
}

static int named(const char *path) {
    char whole[4096];
    if (path[0] == '/') return below(path);
    if (!getcwd(whole, sizeof whole - 1)) return 0;
    strncat(whole, "/", sizeof whole - strlen(whole) - 1);
    strncat(whole, path, sizeof whole - strlen(whole) - 1);
    return below(whole);
}

static int held(int descriptor) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return below(path);
}

/* -1: goes on; else the error that is wanted of this call */
static int fails(const char *call) {
    const char *wanted = getenv("FAIL_CALL");
    if (!wanted || strcmp(wanted, call) != 0) return -1;
    int number = atomic_fetch_add(&seen, 1) + 1, first = atoi(getenv("FAIL_AT"));
    if (number < first || number >= first + atoi(getenv("FAIL_TIMES"))) return -1;
    int note = real_open(getenv("FAIL_NOTE"), O_WRONLY | O_CREAT | O_APPEND, 0600);
    if (note >= 0) {
        real_write(note, "failed\n", 7);
        real_close(note);
    }
    return atoi(getenv("FAIL_ERROR"));
}

#define FAIL_IF(condition, call)                      \
    do {                                              \
        if (!real_link) look_up();                    \
        int wanted_error;                             \
        if ((condition) && (wanted_error = fails(call)) > 0) { \
            errno = wanted_error;                     \
            return -1;                                \
        }                                             \
    } while (0)

#define OPEN(name)                                                   \
    int name(const char *path, int flags, ...) {                     \
        va_list rest;                                                \
        va_start(rest, flags);                                       \
        mode_t mode = va_arg(rest, mode_t);                          \
        va_end(rest);                                                \
        FAIL_IF(named(path), "open");                                \
        return real_##name(path, flags, mode);                       \
    }
OPEN(open)
OPEN(open64)

#define MOVED(name, buffer)                                                     \
    ssize_t name(int descriptor, buffer data, size_t count) {                   \
        if (!real_link) look_up();                                              \
        int error = held(descriptor) ? fails(#name) : -1;                       \
        if (error > 0) {                                                        \
            errno = error;                                                      \
            return -1;                                                          \
        }                                                                       \
        return real_##name(descriptor, data, error == 0 && count > 1 ? count / 2 : count); \
    }
MOVED(read, void *)
MOVED(write, const void *)

int fsync(int descriptor) {
    FAIL_IF(held(descriptor), "fsync");
    return real_fsync(descriptor);
}

int close(int descriptor) {
    if (!real_link) look_up();
    const char *wanted = getenv("FAIL_CALL");
    int ours = wanted && strcmp(wanted, "close") == 0 && held(descriptor), done = real_close(descriptor);
    FAIL_IF(ours, "close");
    return done;
}

int rename(const char *from, const char *to) {
    FAIL_IF(named(to), "rename");
    return real_rename(from, to);
}

int link(const char *from, const char *to) {
    FAIL_IF(named(to), "link");
    return real_link(from, to);
}

int unlink(const char *path) {
    FAIL_IF(named(path), "unlink");
    return real_unlink(path);
}
