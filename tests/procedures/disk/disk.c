/* A disk that fails, or that tells what it was asked to do: preloaded before the C library.
 *
 * Counts the calls that change something under one folder: making, writing, cutting, syncing,
 * naming. At the n-th of them something happens; or each is written down, so that a test can work
 * out what a power cut may leave after any of them.
 *
 *   disk_arm(folder, n, what)   what happens at the n-th call (from 1), the count begins anew
 *   disk_count()                calls so far
 *   disk_trace(folder, handle)  each call is written to the handle instead
 *   disk_mark(text)             a line of the test's own among them
 */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum { NOTHING, KILL_BEFORE, KILL_HALFWAY, FULL_FROM, BROKEN_ONCE, SHORT_ONCE, DEAF_FROM };

static char under[PATH_MAX];
static long at, count;
static int what, out = -1;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

void disk_arm(const char *folder, long n, int does)
{
    snprintf(under, sizeof under, "%s", folder);
    at = n;
    count = 0;
    what = does;
    out = -1;
}

long disk_count(void) { return count; }

void disk_trace(const char *folder, int handle)
{
    disk_arm(folder, 0, NOTHING);
    out = handle;
}

static void tell(const char *op, long long offset, const void *data, long long length,
                 const char *one, const char *two)
{
    static ssize_t (*put)(int, const void *, size_t);
    char head[2 * PATH_MAX + 100];
    if (out < 0)
        return;
    if (!put)
        put = REAL(write);
    int size = snprintf(head, sizeof head, "%s\t%lld\t%lld\t%s\t%s\n", op, offset,
                        data ? length : 0, one, two);
    if (put(out, head, size) != size || (data && put(out, data, length) != length))
        _exit(99);
}

void disk_mark(const char *text) { tell("mark", 0, text, strlen(text), "", ""); }

static int is_ours(const char *path)
{
    size_t length = strlen(under);
    return length && !strncmp(path, under, length) && (path[length] == '/' || !path[length]);
}

static int path_of(int handle, char *path)
{
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", handle);
    ssize_t length = readlink(link, path, PATH_MAX - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return is_ours(path);
}

/* Count a call; give the error that it is to fail with, or 0. */
static int turn(int takes_room, int can_be_half)
{
    count++;
    if (!at)
        return 0;
    if (count == at && (what == KILL_BEFORE || (what == KILL_HALFWAY && !can_be_half)))
        kill(getpid(), SIGKILL);
    if (count >= at && what == FULL_FROM && takes_room)
        return ENOSPC;
    if (count == at && what == BROKEN_ONCE)
        return EIO;
    if (count >= at && what == DEAF_FROM)
        return EIO;
    return 0;
}

static size_t some_of(size_t size)
{
    if (count == at && (what == SHORT_ONCE || what == KILL_HALFWAY) && size > 1)
        return size / 2;
    return size;
}

static void after_half(void)
{
    if (count == at && what == KILL_HALFWAY)
        kill(getpid(), SIGKILL);
}

#define FAIL_IF(call)                                                                            \
    do {                                                                                         \
        int fault = (call);                                                                      \
        if (fault) {                                                                             \
            errno = fault;                                                                       \
            return -1;                                                                           \
        }                                                                                        \
    } while (0)

static ssize_t put_at(int handle, const void *data, size_t size, off64_t offset, int at_offset)
{
    char path[PATH_MAX];
    int ours = path_of(handle, path);
    if (ours) {
        FAIL_IF(turn(1, 1));
        size = some_of(size);
    }
    long long where = at_offset ? offset : lseek64(handle, 0, SEEK_CUR);
    ssize_t done = at_offset ? REAL(pwrite64)(handle, data, size, offset)
                             : REAL(write)(handle, data, size);
    if (ours && done > 0)
        tell("write", where, data, done, path, "");
    if (ours)
        after_half();
    return done;
}

ssize_t write(int handle, const void *data, size_t size)
{
    return put_at(handle, data, size, 0, 0);
}

ssize_t pwrite64(int handle, const void *data, size_t size, off64_t offset)
{
    return put_at(handle, data, size, offset, 1);
}

ssize_t pwrite(int handle, const void *data, size_t size, off_t offset)
{
    return put_at(handle, data, size, offset, 1);
}

static int sync_by(int handle, int (*does)(int))
{
    char path[PATH_MAX];
    struct stat state;
    int ours = path_of(handle, path);
    if (ours)
        /* A full disk may say so only here. */
        FAIL_IF(turn(!fstat(handle, &state) && S_ISREG(state.st_mode), 0));
    int done = does(handle);
    if (ours && !done)
        tell("sync", 0, NULL, 0, path, "");
    return done;
}

int fsync(int handle) { return sync_by(handle, REAL(fsync)); }

int fdatasync(int handle) { return sync_by(handle, REAL(fdatasync)); }

static int cut_by(int handle, off64_t length)
{
    char path[PATH_MAX];
    int ours = path_of(handle, path);
    if (ours)
        FAIL_IF(turn(0, 0));
    int done = REAL(ftruncate64)(handle, length);
    if (ours && !done)
        tell("cut", length, NULL, 0, path, "");
    return done;
}

int ftruncate64(int handle, off64_t length) { return cut_by(handle, length); }

int ftruncate(int handle, off_t length) { return cut_by(handle, length); }

static int opened(const char *path, int flags, mode_t mode)
{
    int ours = is_ours(path) && (flags & (O_CREAT | O_TRUNC));
    int is_new = ours && access(path, F_OK);
    if (ours && (is_new || (flags & O_TRUNC)))
        FAIL_IF(turn(is_new, 0));
    int handle = REAL(open64)(path, flags, mode);
    if (handle >= 0 && is_new)
        tell("make", 0, NULL, 0, path, "");
    else if (handle >= 0 && ours && (flags & O_TRUNC))
        tell("cut", 0, NULL, 0, path, "");
    return handle;
}

int open64(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int mkdir(const char *path, mode_t mode)
{
    int ours = is_ours(path);
    if (ours)
        FAIL_IF(turn(1, 0));
    int done = REAL(mkdir)(path, mode);
    if (ours && !done)
        tell("folder", 0, NULL, 0, path, "");
    return done;
}

int link(const char *from, const char *to)
{
    int ours = is_ours(to);
    if (ours)
        FAIL_IF(turn(1, 0));
    int done = REAL(link)(from, to);
    if (ours && !done)
        tell("link", 0, NULL, 0, from, to);
    return done;
}

int rename(const char *from, const char *to)
{
    int ours = is_ours(to);
    if (ours)
        FAIL_IF(turn(0, 0));
    int done = REAL(rename)(from, to);
    if (ours && !done)
        tell("rename", 0, NULL, 0, from, to);
    return done;
}

int unlink(const char *path)
{
    int ours = is_ours(path);
    if (ours)
        FAIL_IF(turn(0, 0));
    int done = REAL(unlink)(path);
    if (ours && !done)
        tell("unlink", 0, NULL, 0, path, "");
    return done;
}
