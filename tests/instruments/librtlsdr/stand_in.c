/* A stand-in for the system's librtlsdr, so that pyrtlsdr and the driver run without a dongle.
 *
 * Written from the prototypes that pyrtlsdr declares in its librtlsdr.py; it knows no chip. The
 * folder named by STAND_IN_DONGLES holds a folder for each dongle, "0", "1", ..., with a file
 * "dongle" of lines "key value":
 *
 *   serial TEXT          as the dongle tells it
 *   tuner N              number of the tuner as librtlsdr counts them (5: R820T)
 *   gains N N ...        its steps in tenths of dB
 *   open N               what rtlsdr_open answers; strings N: what reading the serial answers
 *   stream PATH          where samples come from: a file, a FIFO
 *   at HZ PATH           the same, while it is tuned to HZ (files only)
 *   pace real|free       by the clock, or as fast as they are taken
 *   fast PPM             how fast its clock is, paced by the clock
 *   repeat 1             begin the file again at its end
 *   burst N              bytes handed out at once at most, where that is less than asked for
 *   drop FROM COUNT      bytes that are lost on the way: their time passes (several lines allowed)
 *   late FROM SECONDS    from that byte on everything comes later, once caught up with (a stall)
 *   silent FROM          nothing comes from that byte on
 *   vanish FROM ANSWER   the stream ends there by itself, with that answer
 *   deaf-to KEY          answers -9 to: rate, centre, gain, agc, correction
 *   rounds HZ            tunes only to multiples of HZ, without a word
 *
 * What is asked of it is appended to the file "log" beside, a line each: "centre 153785000".
 * The file is read at each open and at the start of each stream.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define MOST_DROPS 64
#define MOST_PLACES 8
#define MOST_GAINS 50
#define LINE 1024
#define DEFAULT_BUFFER (16 * 32 * 512)

typedef struct { long long from, count; } span;
typedef struct { uint32_t hz; char path[LINE]; int file; } place;

typedef struct rtlsdr_dev {
    uint32_t index, rate, centre;
    int correction, gain, manual, agc;
    char serial[256], stream[LINE];
    int tuner, gains[MOST_GAINS], gain_count, open_answer, strings_answer;
    int real_time, repeat, vanish_answer, silent, vanish;
    long long silent_from, vanish_from, burst, rounds, late_from;
    double fast_ppm, late_s;
    span drops[MOST_DROPS];
    int drop_count;
    place places[MOST_PLACES];
    int place_count;
    char deaf[LINE];
    atomic_int running, cancelled;
} dongle;

typedef void (*callback)(unsigned char *buf, uint32_t len, void *ctx);

static int path_of(char *out, uint32_t index, const char *name)
{
    const char *folder = getenv("STAND_IN_DONGLES");
    if (!folder)
        return -1;
    return snprintf(out, LINE, "%s/%u/%s", folder, index, name) < LINE ? 0 : -1;
}

static int load(dongle *d, uint32_t index)
{
    char path[LINE], line[LINE + 64], text[LINE];
    long long a, b;
    double seconds;
    if (path_of(path, index, "dongle") < 0)
        return -1;
    FILE *file = fopen(path, "r");
    if (!file)
        return -1;
    d->index = index;
    d->tuner = 5;
    d->silent = d->vanish = d->repeat = d->drop_count = d->place_count = d->gain_count = 0;
    d->open_answer = d->strings_answer = 0;
    d->real_time = 1;
    d->burst = d->rounds = 0;
    d->late_from = -1;
    d->fast_ppm = 0.0;
    d->deaf[0] = d->stream[0] = d->serial[0] = 0;
    while (fgets(line, sizeof line, file)) {
        if (sscanf(line, "serial %255s", d->serial) == 1) continue;
        if (sscanf(line, "tuner %d", &d->tuner) == 1) continue;
        if (sscanf(line, "open %d", &d->open_answer) == 1) continue;
        if (sscanf(line, "strings %d", &d->strings_answer) == 1) continue;
        if (sscanf(line, "stream %1023[^\n]", d->stream) == 1) continue;
        if (sscanf(line, "pace %1023s", text) == 1) { d->real_time = text[0] == 'r'; continue; }
        if (sscanf(line, "fast %lf", &d->fast_ppm) == 1) continue;
        if (sscanf(line, "repeat %d", &d->repeat) == 1) continue;
        if (sscanf(line, "burst %lld", &d->burst) == 1) continue;
        if (sscanf(line, "rounds %lld", &d->rounds) == 1) continue;
        if (sscanf(line, "silent %lld", &d->silent_from) == 1) { d->silent = 1; continue; }
        if (sscanf(line, "deaf-to %1023s", d->deaf) == 1) continue;
        if (sscanf(line, "vanish %lld %d", &d->vanish_from, &d->vanish_answer) == 2) {
            d->vanish = 1;
        } else if (sscanf(line, "late %lld %lf", &a, &seconds) == 2) {
            d->late_from = a;
            d->late_s = seconds;
        } else if (sscanf(line, "drop %lld %lld", &a, &b) == 2 && d->drop_count < MOST_DROPS) {
            d->drops[d->drop_count++] = (span){a, b};
        } else if (sscanf(line, "at %lld %1023[^\n]", &a, text) == 2
                   && d->place_count < MOST_PLACES) {
            place *p = &d->places[d->place_count++];
            p->hz = (uint32_t)a;
            p->file = -1;
            strcpy(p->path, text);
        } else if (!strncmp(line, "gains ", 6)) {
            char *rest = line + 6, *word;
            while ((word = strtok_r(rest, " \n", &rest)) && d->gain_count < MOST_GAINS)
                d->gains[d->gain_count++] = atoi(word);
        }
    }
    fclose(file);
    return 0;
}

static void note(dongle *d, const char *format, ...)
{
    char path[LINE];
    va_list words;
    if (path_of(path, d->index, "log") < 0)
        return;
    FILE *file = fopen(path, "a");
    if (!file)
        return;
    va_start(words, format);
    vfprintf(file, format, words);
    va_end(words);
    fclose(file);
}

uint32_t rtlsdr_get_device_count(void)
{
    dongle d;
    uint32_t count = 0;
    while (count < 16 && load(&d, count) == 0)
        count++;
    return count;
}

const char *rtlsdr_get_device_name(uint32_t index)
{
    return index < rtlsdr_get_device_count() ? "Stand-in receiver" : "";
}

int rtlsdr_get_device_usb_strings(uint32_t index, char *maker, char *product, char *serial)
{
    dongle d;
    if (load(&d, index) < 0)
        return -2;
    if (d.strings_answer)
        return d.strings_answer;
    if (maker) strcpy(maker, "nobody");
    if (product) strcpy(product, "stand-in");
    if (serial) strcpy(serial, d.serial);
    return 0;
}

int rtlsdr_get_index_by_serial(const char *serial)
{
    dongle d;
    for (uint32_t i = 0; load(&d, i) == 0; i++)
        if (!strcmp(d.serial, serial))
            return (int)i;
    return -3;
}

int rtlsdr_open(dongle **out, uint32_t index)
{
    dongle *d = calloc(1, sizeof *d);
    if (load(d, index) < 0) {
        free(d);
        return -4;
    }
    if (d->open_answer) {
        int answer = d->open_answer;
        free(d);
        return answer;
    }
    note(d, "open\n");
    *out = d;
    return 0;
}

int rtlsdr_close(dongle *d)
{
    if (!d)
        return -1;
    if (atomic_load(&d->running))
        note(d, "closed while streaming\n");
    note(d, "close\n");
    free(d);
    return 0;
}

static int deaf(dongle *d, const char *key) { return strcmp(d->deaf, key) == 0; }

int rtlsdr_set_center_freq(dongle *d, uint32_t hz)
{
    note(d, "centre %u\n", hz);
    if (deaf(d, "centre") && hz != 80000000)
        return -9;
    d->centre = d->rounds ? hz / (uint32_t)d->rounds * (uint32_t)d->rounds : hz;
    return 0;
}

uint32_t rtlsdr_get_center_freq(dongle *d) { return d->centre; }

int rtlsdr_set_freq_correction(dongle *d, int ppm)
{
    note(d, "correction %d\n", ppm);
    if (deaf(d, "correction") || ppm == d->correction)
        return -2;
    d->correction = ppm;
    return 0;
}

int rtlsdr_get_freq_correction(dongle *d) { return d->correction; }
int rtlsdr_get_tuner_type(dongle *d) { return d->tuner; }

int rtlsdr_get_tuner_gains(dongle *d, int *gains)
{
    /* Invented steps, where the file names none. */
    static const int usual[] = {0, 60, 110, 160, 210, 260, 330, 400, 480};
    const int *from = d->gain_count ? d->gains : usual;
    int count = d->gain_count ? d->gain_count : (int)(sizeof usual / sizeof *usual);
    if (gains)
        memcpy(gains, from, (size_t)count * sizeof *gains);
    return count;
}

int rtlsdr_set_tuner_gain(dongle *d, int gain)
{
    note(d, "gain %d\n", gain);
    if (deaf(d, "gain"))
        return -9;
    d->gain = gain;
    return 0;
}

int rtlsdr_get_tuner_gain(dongle *d) { return d->gain; }

int rtlsdr_set_tuner_gain_mode(dongle *d, int manual)
{
    note(d, "manual %d\n", manual);
    d->manual = manual;
    return 0;
}

int rtlsdr_set_agc_mode(dongle *d, int on)
{
    note(d, "agc %d\n", on);
    d->agc = on;
    return deaf(d, "agc") ? -9 : 0;
}

int rtlsdr_set_sample_rate(dongle *d, uint32_t hz)
{
    note(d, "rate %u\n", hz);
    if (deaf(d, "rate") && hz != 1024000)
        return -9;
    d->rate = hz;
    return 0;
}

uint32_t rtlsdr_get_sample_rate(dongle *d) { return d->rate; }
int rtlsdr_set_testmode(dongle *d, int on) { (void)d; (void)on; return 0; }
int rtlsdr_set_direct_sampling(dongle *d, int on) { (void)d; (void)on; return 0; }
int rtlsdr_set_bias_tee(dongle *d, int on) { note(d, "bias tee %d\n", on); return 0; }
int rtlsdr_set_tuner_bandwidth(dongle *d, uint32_t hz) { (void)d; (void)hz; return 0; }
int rtlsdr_reset_buffer(dongle *d) { (void)d; return 0; }
int rtlsdr_wait_async(dongle *d, callback cb, void *ctx) { (void)d; (void)cb; (void)ctx; return -1; }

int rtlsdr_set_xtal_freq(dongle *d, uint32_t chip, uint32_t tuner)
{
    (void)d; (void)chip; (void)tuner;
    return 0;
}

int rtlsdr_get_xtal_freq(dongle *d, uint32_t *chip, uint32_t *tuner)
{
    (void)d;
    *chip = *tuner = 28800000;
    return 0;
}

int rtlsdr_read_sync(dongle *d, void *buffer, int length, int *read)
{
    (void)d; (void)buffer; (void)length;
    *read = 0;
    return -12;
}

int rtlsdr_cancel_async(dongle *d)
{
    if (!atomic_load(&d->running))
        return -2;
    atomic_store(&d->cancelled, 1);
    return 0;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Wait until a time, or until cancelled. */
static void wait_until(dongle *d, double until_s)
{
    double left_s;
    while (!atomic_load(&d->cancelled) && (left_s = until_s - now_s()) > 0.0) {
        if (left_s > 0.01)
            left_s = 0.01;
        struct timespec t = {0, (long)(left_s * 1e9)};
        nanosleep(&t, NULL);
    }
}

/* The file for where it is tuned to. */
static int tuned_file(dongle *d, int file)
{
    for (int i = 0; i < d->place_count; i++)
        if (d->places[i].hz == d->centre) {
            if (d->places[i].file < 0)
                d->places[i].file = open(d->places[i].path, O_RDONLY);
            return d->places[i].file;
        }
    return file;
}

/* Bytes for the place ``at`` of the stream, an even number; 0 when there are none now. */
static long long fill(dongle *d, int file, unsigned char *buffer, long long at, long long length)
{
    int from = tuned_file(d, file);
    if (from < 0)
        return 0;
    off_t size = lseek(from, 0, SEEK_END);
    if (size > 1) {
        long long position = d->repeat ? at % (size & ~1LL) : at;
        if (position + length > size)
            length = size - position;
        ssize_t got = length > 0 ? pread(from, buffer, (size_t)(length & ~1LL), position) : 0;
        return got > 0 ? got & ~1LL : 0;
    }
    long long have = 0;
    do {
        struct pollfd ready = {from, POLLIN, 0};
        if (poll(&ready, 1, 10) <= 0 || !(ready.revents & POLLIN)) {
            if (!(ready.revents & POLLIN) && (ready.revents & POLLHUP))
                wait_until(d, now_s() + 0.01);
            if (have % 2 == 0)
                break;
            continue;
        }
        ssize_t got = read(from, buffer + have, (size_t)(length - have));
        if (got <= 0)
            break;
        have += got;
    } while (have % 2 && !atomic_load(&d->cancelled));
    return have & ~1LL;
}

int rtlsdr_read_async(dongle *d, callback cb, void *ctx, uint32_t count, uint32_t length)
{
    (void)count;
    if (atomic_load(&d->running))
        return -2;
    dongle *fresh = calloc(1, sizeof *fresh);
    load(fresh, d->index);
    fresh->rate = d->rate;
    atomic_store(&d->cancelled, 0);
    atomic_store(&d->running, 1);
    note(d, "stream %u\n", length ? length : DEFAULT_BUFFER);
    long long most = length ? length : DEFAULT_BUFFER;
    unsigned char *buffer = malloc((size_t)most);
    if (fresh->burst && fresh->burst < most)
        most = fresh->burst;
    int file = fresh->stream[0] ? open(fresh->stream, O_RDONLY | O_NONBLOCK) : -1;
    double byte_s = 0.5 / (fresh->rate * (1.0 + fresh->fast_ppm * 1e-6));
    double started_s = now_s();
    long long at = 0;
    int answer = 0, stalled = 0;
    while (!atomic_load(&d->cancelled)) {
        long long wanted = most;
        fresh->centre = d->centre;
        if (fresh->vanish && at >= fresh->vanish_from) {
            answer = fresh->vanish_answer;
            break;
        }
        if (fresh->vanish && at + wanted > fresh->vanish_from)
            wanted = fresh->vanish_from - at;
        if (fresh->silent && at + wanted > fresh->silent_from)
            wanted = fresh->silent_from - at;
        long long got = wanted > 1 ? fill(fresh, file, buffer, at, wanted & ~1LL) : 0;
        if (!got) {
            wait_until(d, now_s() + 0.005);
            continue;
        }
        int lost = 0;
        for (int i = 0; i < fresh->drop_count; i++) {
            span s = fresh->drops[i];
            if (at >= s.from && at < s.from + s.count)
                lost = 1;
        }
        at += got;
        if (fresh->real_time)
            wait_until(d, started_s + (double)at * byte_s);
        if (fresh->late_from >= 0 && at > fresh->late_from && !stalled) {
            stalled = 1;
            wait_until(d, now_s() + fresh->late_s);
        }
        if (!lost && !atomic_load(&d->cancelled))
            cb(buffer, (uint32_t)got, ctx);
    }
    if (file >= 0)
        close(file);
    for (int i = 0; i < fresh->place_count; i++)
        if (fresh->places[i].file >= 0)
            close(fresh->places[i].file);
    free(buffer);
    free(fresh);
    atomic_store(&d->running, 0);
    return answer;
}
