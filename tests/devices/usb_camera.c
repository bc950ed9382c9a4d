/* A USB camera for the virtual machine: what the kernel's uvcvideo sees on the dummy bus is this program.
 *
 * It speaks USB through gadgetfs (mounted on /dev/gadget) over dummy_hcd. dummy_hcd carries no isochronous transfers, so pictures
 * go over a bulk endpoint, as some cameras do ("USB Device Class Definition for Video Devices", revision 1.0a, section 2.4.3.2.1).
 *
 * usb_camera PICTURES LOG: PICTURES holds Motion JPEG files WIDTHxHEIGHT_LIGHT.mjpeg, LIGHT in percent; they are sent in turn, in
 * a loop, without their Huffman tables, as many cameras do. LOG gets a line for each frame and for each control that is set.
 *
 * Lines on standard input change what it does:
 *   good | hang | corrupt N | short N | flagged N    all is well; nothing is sent; of N frames one is damaged, cut, or marked bad
 *   stall                                            halts the endpoint once
 *   light PERCENT                                    of what a picture needs at 4 ms without gain
 *   slow on|off                                      halves its rate in dim light whatever the controls say
 */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/usb/gadgetfs.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define DEVICE "/dev/gadget/dummy_udc"
#define STREAM_INTERFACE 1
#define CAMERA_TERMINAL 1
#define PROCESSING_UNIT 2
#define OUTPUT_TERMINAL 3
#define STREAM_ENDPOINT 0x81
/* A frame goes in payloads of this size at most, each with a header of two bytes. */
#define PAYLOAD 65536
#define MAX_FRAME (512 * 1024)

enum { SET_CUR = 0x01, GET_CUR = 0x81, GET_MIN, GET_MAX, GET_RES, GET_LEN, GET_INFO, GET_DEF };

#define W16(v) (v) & 0xff, (v) >> 8 & 0xff
#define W32(v) W16(v), (v) >> 16 & 0xff, (v) >> 24 & 0xff

/* Sizes and rates. Intervals are in units of 100 ns. */
static const struct { int width, height, rates, fps[3]; } FRAMES[] = {{640, 360, 2, {60, 30}}, {320, 180, 3, {120, 60, 30}}};
enum { FRAME_COUNT = 2 };
#define FRAME_BYTES(rates) (26 + 4 * (rates))
#define INTERVAL(fps) (10000000 / (fps))
#define FRAME_DESCRIPTOR(index, width, height, rates, first) \
    FRAME_BYTES(rates), 0x24, 0x07, index, 0x00, W16(width), W16(height), W32(8000000), W32(200000000), W32(MAX_FRAME), \
        W32(INTERVAL(first)), rates

enum {
    CONTROL_CLASS_BYTES = 13 + 18 + 11 + 9,
    STREAM_CLASS_BYTES = 14 + 11 + FRAME_BYTES(2) + FRAME_BYTES(3) + 6,
    CONFIG_BYTES = 9 + 8 + 9 + CONTROL_CLASS_BYTES + 9 + STREAM_CLASS_BYTES + 7,
};

/* One configuration; the two speeds differ in the endpoint's packet size only. */
#define CONFIGURATION(packet) \
    9, USB_DT_CONFIG, W16(CONFIG_BYTES), 2, 1, 0, USB_CONFIG_ATT_ONE, 250, \
    8, USB_DT_INTERFACE_ASSOCIATION, 0, 2, 0x0e, 0x03, 0x00, 2, \
    /* Video control: camera terminal -> processing unit -> output terminal. */ \
    9, USB_DT_INTERFACE, 0, 0, 0, 0x0e, 0x01, 0x00, 2, \
    13, 0x24, 0x01, W16(0x0100), W16(CONTROL_CLASS_BYTES), W32(48000000), 1, STREAM_INTERFACE, \
    /* Exposure mode, its priority, exposure time, focus, automatic focus. */ \
    18, 0x24, 0x02, CAMERA_TERMINAL, W16(0x0201), 0, 0, W16(0), W16(0), W16(0), 3, 0x2e, 0x00, 0x02, \
    /* Gain, mains. */ \
    11, 0x24, 0x05, PROCESSING_UNIT, CAMERA_TERMINAL, W16(0), 2, 0x00, 0x06, 0, \
    9, 0x24, 0x03, OUTPUT_TERMINAL, W16(0x0101), 0, PROCESSING_UNIT, 0, \
    /* Video streaming: Motion JPEG over one bulk endpoint. */ \
    9, USB_DT_INTERFACE, STREAM_INTERFACE, 0, 1, 0x0e, 0x02, 0x00, 0, \
    14, 0x24, 0x01, 1, W16(STREAM_CLASS_BYTES), STREAM_ENDPOINT, 0, OUTPUT_TERMINAL, 0, 0, 0, 1, 0, \
    11, 0x24, 0x06, 1, FRAME_COUNT, 0, 1, 0, 0, 0, 0, \
    FRAME_DESCRIPTOR(1, 640, 360, 2, 60), W32(INTERVAL(60)), W32(INTERVAL(30)), \
    FRAME_DESCRIPTOR(2, 320, 180, 3, 60), W32(INTERVAL(120)), W32(INTERVAL(60)), W32(INTERVAL(30)), \
    6, 0x24, 0x0d, 1, 1, 4, \
    7, USB_DT_ENDPOINT, STREAM_ENDPOINT, USB_ENDPOINT_XFER_BULK, W16(packet), 0

static const uint8_t DESCRIPTORS[] = {
    W32(0), CONFIGURATION(64), CONFIGURATION(512),
    /* A device with interface associations, of the Linux Foundation's numbers for gadgets. */
    18, USB_DT_DEVICE, W16(0x0200), 0xef, 0x02, 0x01, 64, W16(0x1d6b), W16(0x0102), W16(0x0100), 1, 2, 3, 1,
};
static const uint8_t ENDPOINT[] = {
    W32(1),
    7, USB_DT_ENDPOINT, STREAM_ENDPOINT, USB_ENDPOINT_XFER_BULK, W16(64), 0,
    7, USB_DT_ENDPOINT, STREAM_ENDPOINT, USB_ENDPOINT_XFER_BULK, W16(512), 0,
};
static const char *STRINGS[] = {NULL, "cagehand tests", "Cage Test Camera", "0001"};

/* A control: unit, selector, bytes, then least, most, step, default and present value. */
static struct control { const char *name; int unit, selector, bytes, min, max, step, def, now; } controls[] = {
    /* The modes are bits; the step is the set of those there are: manual, aperture priority. */
    {"exposure_mode", CAMERA_TERMINAL, 0x02, 1, 0, 0, 1 | 8, 8, 8},
    {"rate_may_fall", CAMERA_TERMINAL, 0x03, 1, 0, 1, 1, 0, 1},
    {"exposure", CAMERA_TERMINAL, 0x04, 4, 1, 5000, 1, 166, 166},
    {"focus", CAMERA_TERMINAL, 0x06, 2, 0, 250, 5, 0, 35},
    {"focus_automatic", CAMERA_TERMINAL, 0x08, 1, 0, 1, 1, 1, 1},
    {"gain", PROCESSING_UNIT, 0x04, 2, 0, 100, 1, 0, 0},
    {"mains", PROCESSING_UNIT, 0x05, 1, 0, 2, 1, 2, 1},
};
enum { EXPOSURE_MODE, RATE_MAY_FALL, EXPOSURE, FOCUS, FOCUS_AUTOMATIC, GAIN, MAINS, CONTROL_COUNT };
enum { MANUAL = 1 };

struct picture { uint8_t *bytes; size_t length; };
/* The recording at one size in one light. */
static struct film { int width, height, light, count; struct picture *pictures; } films[16];
static int film_count;

/* Shared by the two threads: what the host has committed to, and what the test asks for. */
static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t changed = PTHREAD_COND_INITIALIZER;
static struct {
    int endpoint;   /* -1 while no host has configured the device */
    unsigned stream; /* counts the host's starts */
    int frame;      /* index into FRAMES */
    uint32_t interval;
    char fault[16];
    int of;         /* of so many frames one is faulty */
    int stall;
    int light;
    int slow;
} state = {.endpoint = -1, .fault = "good", .of = 1, .light = 100};
static pthread_t sender;
static FILE *logged;

static int64_t now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static void fail(const char *what) {
    perror(what);
    exit(1);
}

/* A JPEG without its Huffman tables (segments DHT). */
static struct picture without_tables(const uint8_t *jpeg, size_t length) {
    struct picture picture = {malloc(length + 2), 0};
    size_t at = 2;
    memcpy(picture.bytes, jpeg, 2);
    picture.length = 2;
    while (at + 4 <= length && jpeg[at] == 0xff && jpeg[at + 1] != 0xda) {
        size_t segment = 2 + (jpeg[at + 2] << 8 | jpeg[at + 3]);
        if (jpeg[at + 1] != 0xc4) {
            memcpy(picture.bytes + picture.length, jpeg + at, segment);
            picture.length += segment;
        }
        at += segment;
    }
    memcpy(picture.bytes + picture.length, jpeg + at, length - at);
    picture.length += length - at;
    return picture;
}

static void read_film(const char *folder, const char *name) {
    struct film *film = &films[film_count];
    if (sscanf(name, "%dx%d_%d.mjpeg", &film->width, &film->height, &film->light) != 3) return;
    char path[512];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "rb");
    if (!file) fail(path);
    fseek(file, 0, SEEK_END);
    size_t length = ftell(file);
    rewind(file);
    uint8_t *all = malloc(length);
    if (fread(all, 1, length, file) != length) fail(path);
    fclose(file);
    film->pictures = calloc(4096, sizeof *film->pictures);
    for (size_t start = 0, at = 2; at + 1 < length && film->count < 4096; at++) {
        if (all[at] != 0xff || all[at + 1] != 0xd9) continue;
        film->pictures[film->count++] = without_tables(all + start, at + 2 - start);
        start = at + 2;
    }
    free(all);
    if (film->count) film_count++;
}

/* The film whose light is nearest to what the sensor gets. */
static const struct film *film_for(int frame, double light) {
    const struct film *best = NULL;
    for (int i = 0; i < film_count; i++) {
        const struct film *film = &films[i];
        if (film->width != FRAMES[frame].width || film->height != FRAMES[frame].height) continue;
        double off = film->light > light ? film->light / light : light / film->light;
        double best_off = !best ? 1e9 : best->light > light ? best->light / light : light / best->light;
        if (off < best_off) best = film;
    }
    if (!best) fprintf(stderr, "no pictures of this size\n"), exit(1);
    return best;
}

/* Sends one frame; false where the host has gone or starts anew. */
static int send_frame(int endpoint, const uint8_t *bytes, size_t length, uint8_t flags) {
    static uint8_t payload[PAYLOAD];
    size_t at = 0;
    while (at < length) {
        size_t part = length - at < PAYLOAD - 2 ? length - at : PAYLOAD - 2;
        payload[0] = 2;
        payload[1] = flags | (at + part == length ? 0x02 : 0);
        memcpy(payload + 2, bytes + at, part);
        at += part;
        if (write(endpoint, payload, part + 2) != (ssize_t)(part + 2)) return 0;
    }
    return 1;
}

static void *send_frames(void *unused) {
    unsigned stream = 0, number = 0;
    int64_t due = 0;
    uint8_t toggle = 0;
    static uint8_t bytes[MAX_FRAME];
    for (;;) {
        pthread_mutex_lock(&mutex);
        while (state.endpoint < 0 || state.stream == 0 || (stream == state.stream && due < 0)) pthread_cond_wait(&changed, &mutex);
        if (stream != state.stream) {
            stream = state.stream;
            due = now_ns();
        }
        int endpoint = state.endpoint, frame = state.frame, of = state.of, stall = state.stall;
        int64_t interval = state.interval * 100LL;
        double light = state.light;
        char fault[sizeof state.fault];
        strcpy(fault, state.fault);
        state.stall = 0;
        int manual = controls[EXPOSURE_MODE].now == MANUAL;
        if (manual) {
            light *= controls[EXPOSURE].now / 40.0 * (1 + 3.0 * controls[GAIN].now / 100);
            /* Units of exposure are 100 us. */
            if (controls[EXPOSURE].now * 100000LL > interval) interval = controls[EXPOSURE].now * 100000LL;
        } else {
            light *= 4;
            if (light < 100 && controls[RATE_MAY_FALL].now) light = 100, interval *= 2;
        }
        if (state.slow && state.light < 25) interval = state.interval * 200LL;
        pthread_mutex_unlock(&mutex);

        struct timespec until = {due / 1000000000, due % 1000000000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
        int64_t started = now_ns();
        /* What could not be sent in time is lost, as in a camera. */
        unsigned skipped = (started - due) / interval;
        number += skipped;
        due += (skipped + 1) * interval;
        if (stall) {
            /* Reading where the host reads halts the endpoint. */
            uint8_t nothing;
            ssize_t got = read(endpoint, &nothing, 1);
            fprintf(logged, "stall %lld %zd\n", (long long)started, got);
            continue;
        }
        if (!strcmp(fault, "hang")) continue;
        const struct film *film = film_for(frame, light);
        const struct picture *picture = &film->pictures[number % film->count];
        size_t length = picture->length;
        int faulty = number % of == 0 && strcmp(fault, "good");
        memcpy(bytes, picture->bytes, length);
        if (faulty && !strcmp(fault, "corrupt")) {
            /* A piece from the middle is lost. */
            memmove(bytes + length / 2, bytes + length / 2 + 512, length - length / 2 - 512);
            length -= 512;
        } else if (faulty && !strcmp(fault, "short")) {
            length = length * 2 / 5;
        }
        /* A transfer ends with a packet that is not full, so the last one must not be; cameras pad their pictures, too. */
        while ((length % (PAYLOAD - 2) + 2) % 512 == 0) bytes[length++] = 0;
        int sent = send_frame(endpoint, bytes, length, toggle | (faulty && !strcmp(fault, "flagged") ? 0x40 : 0));
        int error = errno;
        toggle ^= 1;
        fprintf(logged, "%s %u %lld %lld %dx%d %d %zu %s\n", sent ? "sent" : "unsent", number, (long long)started, (long long)interval,
                film->width, film->height, film->light, length, sent ? faulty ? fault : "good" : strerror(error));
        number++;
        if (!sent) {
            /* Until the host starts anew. */
            pthread_mutex_lock(&mutex);
            if (stream == state.stream && error != EINTR) due = -1;
            pthread_mutex_unlock(&mutex);
        }
    }
    return unused;
}

static void wake(int signal) { (void)signal; }

static void start_stream(int frame, uint32_t interval) {
    pthread_mutex_lock(&mutex);
    state.frame = frame;
    state.interval = interval;
    state.stream++;
    fprintf(logged, "start %lld %d %u\n", (long long)now_ns(), frame, interval);
    fflush(logged);
    /* What waits to be sent is from before. */
    pthread_kill(sender, SIGUSR1);
    pthread_cond_broadcast(&changed);
    pthread_mutex_unlock(&mutex);
}

static void close_endpoint(void) {
    pthread_mutex_lock(&mutex);
    if (state.endpoint >= 0) close(state.endpoint);
    state.endpoint = -1;
    state.stream = 0;
    pthread_mutex_unlock(&mutex);
    pthread_kill(sender, SIGUSR1);
}

static void open_endpoint(void) {
    close_endpoint();
    int endpoint = open("/dev/gadget/ep1in-bulk", O_RDWR);
    if (endpoint < 0 || write(endpoint, ENDPOINT, sizeof ENDPOINT) != sizeof ENDPOINT) fail("endpoint");
    pthread_mutex_lock(&mutex);
    state.endpoint = endpoint;
    pthread_mutex_unlock(&mutex);
}

/* What the host and the camera agree on; "VideoStreaming Interface Control Selectors", section 4.3.1.1. */
static struct __attribute__((packed)) {
    uint16_t hint;
    uint8_t format, frame;
    uint32_t interval;
    uint16_t key, pframe, quality, window, delay;
    uint32_t max_frame, max_payload;
} probe = {0, 1, 1, INTERVAL(60), 0, 0, 0, 0, 0, MAX_FRAME, PAYLOAD};

static void agree(const uint8_t *asked) {
    memcpy(&probe, asked, sizeof probe);
    probe.format = 1;
    if (probe.frame < 1 || probe.frame > FRAME_COUNT) probe.frame = 1;
    uint32_t nearest = INTERVAL(FRAMES[probe.frame - 1].fps[0]);
    for (int i = 0; i < FRAMES[probe.frame - 1].rates; i++) {
        uint32_t interval = INTERVAL(FRAMES[probe.frame - 1].fps[i]);
        if (llabs((int64_t)interval - probe.interval) < llabs((int64_t)nearest - probe.interval)) nearest = interval;
    }
    probe.interval = nearest;
    probe.max_frame = MAX_FRAME;
    probe.max_payload = PAYLOAD;
}

static struct control *control_of(int unit, int selector) {
    for (int i = 0; i < CONTROL_COUNT; i++)
        if (controls[i].unit == unit && controls[i].selector == selector) return &controls[i];
    return NULL;
}

/* Sets a control; false where the camera refuses, as many do while they decide for themselves. */
static int set_control(struct control *control, const uint8_t *bytes) {
    int value = 0;
    memcpy(&value, bytes, control->bytes);
    int refused = control == &controls[EXPOSURE_MODE] ? value != MANUAL && value != 8
                                                      : value < control->min || value > control->max;
    refused |= control == &controls[EXPOSURE] && controls[EXPOSURE_MODE].now != MANUAL;
    refused |= control == &controls[FOCUS] && controls[FOCUS_AUTOMATIC].now;
    fprintf(logged, "%s %lld %s %d\n", refused ? "refused" : "set", (long long)now_ns(), control->name, value);
    if (refused) return 0;
    pthread_mutex_lock(&mutex);
    control->now = value;
    pthread_mutex_unlock(&mutex);
    return 1;
}

/* The answer to a request of the video class; its length, or -1 to refuse. `data` holds what came with it. */
static uint8_t last_error;
static int answer(const struct usb_ctrlrequest *setup, uint8_t *data) {
    int unit = setup->wIndex >> 8, interface = setup->wIndex & 0xff, selector = setup->wValue >> 8;
    if (interface == STREAM_INTERFACE) {
        if (selector != 1 && selector != 2) return -1;
        switch (setup->bRequest) {
        case SET_CUR:
            agree(data);
            if (selector == 2) start_stream(probe.frame - 1, probe.interval);
            return 0;
        case GET_LEN: data[0] = sizeof probe, data[1] = 0; return 2;
        case GET_INFO: data[0] = 3; return 1;
        case GET_CUR: case GET_MIN: case GET_MAX: case GET_DEF: memcpy(data, &probe, sizeof probe); return sizeof probe;
        default: return -1;
        }
    }
    if (unit == 0 && selector == 2) { data[0] = last_error; return 1; }
    struct control *control = control_of(unit, selector);
    last_error = control ? 4 : 6;
    if (!control) return -1;
    const int *value = NULL;
    switch (setup->bRequest) {
    case SET_CUR: return set_control(control, data) ? 0 : -1;
    case GET_CUR: value = &control->now; break;
    case GET_MIN: value = &control->min; break;
    case GET_MAX: value = &control->max; break;
    case GET_RES: value = &control->step; break;
    case GET_DEF: value = &control->def; break;
    case GET_LEN: data[0] = control->bytes, data[1] = 0; return 2;
    case GET_INFO: data[0] = 3; return 1;
    default: return -1;
    }
    memcpy(data, value, control->bytes);
    return control->bytes;
}

static int text_descriptor(int number, uint8_t *data) {
    if (number == 0) {
        memcpy(data, (uint8_t[]){4, USB_DT_STRING, W16(0x0409)}, 4);
        return 4;
    }
    if (number >= (int)(sizeof STRINGS / sizeof *STRINGS)) return -1;
    int length = strlen(STRINGS[number]);
    data[0] = 2 + 2 * length;
    data[1] = USB_DT_STRING;
    for (int i = 0; i < length; i++) data[2 + 2 * i] = STRINGS[number][i], data[3 + 2 * i] = 0;
    return data[0];
}

static void on_setup(int device, const struct usb_ctrlrequest *setup) {
    uint8_t data[4096] = {0};
    int in = setup->bRequestType & USB_DIR_IN, length = -1;
    /* gadgetfs takes what the host sends by itself, so this has to be read before the host's next request. */
    if (!in && setup->wLength && read(device, data, setup->wLength) < 0) {
        fprintf(logged, "missed %lld %02x %04x %04x\n", (long long)now_ns(), setup->bRequest, setup->wValue, setup->wIndex);
        return;
    }
    if ((setup->bRequestType & USB_TYPE_MASK) == USB_TYPE_CLASS) {
        length = answer(setup, data);
    } else if (setup->bRequest == USB_REQ_GET_DESCRIPTOR && setup->wValue >> 8 == USB_DT_STRING) {
        length = text_descriptor(setup->wValue & 0xff, data);
    } else if (setup->bRequest == USB_REQ_SET_CONFIGURATION) {
        if (setup->wValue) open_endpoint();
        length = 0;
    } else if (setup->bRequest == USB_REQ_SET_INTERFACE) {
        length = 0;
    }
    if (in && length >= 0) {
        if (write(device, data, length < setup->wLength ? length : setup->wLength) < 0) perror("answer");
    } else if (length < 0 && (in || !setup->wLength)) {
        /* Going the wrong way refuses the request. gadgetfs has accepted one that brought data: it is then without effect. */
        if (in ? read(device, data, 0) : write(device, data, 0)) { }
    } else if (!setup->wLength && read(device, data, 0) < 0) {
        perror("acknowledge");
    }
}

static void on_line(char *line) {
    char word[16] = "", rest[16] = "";
    if (sscanf(line, "%15s %15s", word, rest) < 1) return;
    pthread_mutex_lock(&mutex);
    fprintf(logged, "told %lld %s %s\n", (long long)now_ns(), word, rest);
    if (!strcmp(word, "stall")) {
        state.stall = 1;
    } else if (!strcmp(word, "light")) {
        state.light = atoi(rest);
    } else if (!strcmp(word, "slow")) {
        state.slow = !strcmp(rest, "on");
    } else {
        strcpy(state.fault, word);
        state.of = atoi(rest) > 0 ? atoi(rest) : 1;
    }
    fflush(logged);
    pthread_mutex_unlock(&mutex);
}

int main(int count, char **words) {
    if (count != 3) return fprintf(stderr, "usb_camera PICTURES LOG\n"), 2;
    logged = fopen(words[2], "a");
    if (!logged) fail(words[2]);
    DIR *folder = opendir(words[1]);
    if (!folder) fail(words[1]);
    for (struct dirent *entry; (entry = readdir(folder));) read_film(words[1], entry->d_name);
    sigaction(SIGUSR1, &(struct sigaction){.sa_handler = wake}, NULL);
    pthread_create(&sender, NULL, send_frames, NULL);
    /* A camera has a processor of its own. */
    if (pthread_setschedparam(sender, SCHED_FIFO, &(struct sched_param){.sched_priority = 10}) ||
        pthread_setschedparam(pthread_self(), SCHED_FIFO, &(struct sched_param){.sched_priority = 20}))
        fprintf(stderr, "no priority\n");
    int device = open(DEVICE, O_RDWR);
    if (device < 0) fail(DEVICE);
    if (write(device, DESCRIPTORS, sizeof DESCRIPTORS) != sizeof DESCRIPTORS) fail("descriptors");
    struct pollfd polled[] = {{device, POLLIN, 0}, {0, POLLIN, 0}};
    for (;;) {
        if (poll(polled, 2, 1000) < 0 && errno != EINTR) fail("poll");
        fflush(logged);
        if (polled[0].revents & POLLIN) {
            struct usb_gadgetfs_event events[5];
            ssize_t got = read(device, events, sizeof events);
            for (int i = 0; i < got / (ssize_t)sizeof *events; i++) {
                if (events[i].type == GADGETFS_SETUP) on_setup(device, &events[i].u.setup);
                if (events[i].type == GADGETFS_DISCONNECT) close_endpoint();
            }
        } else if (polled[0].revents) {
            /* A request that was missed is refused, so that the next one gets through. */
            uint8_t nothing;
            if (read(device, &nothing, 0)) { }
        }
        if (polled[1].revents & (POLLIN | POLLHUP)) {
            char lines[256];
            ssize_t got = read(0, lines, sizeof lines - 1);
            if (got <= 0) return 0;
            lines[got] = 0;
            for (char *line = strtok(lines, "\n"); line; line = strtok(NULL, "\n")) on_line(line);
        }
    }
}
