/* What libmodbus does, as a server and as a client; the tests build it and run it.
 *
 *   peer serve COILS INPUTS REGISTERS READINGS   four tables from address 0, each file a byte a bit or two a register
 *   peer ask PORT                                reads and writes by every function of the library's client
 *   peer along LINE FROM COUNT                   reads input registers and the coils of the same number, RTU 19200 8N2
 *
 * The server prints its port, serves any number of connections, and ends with whoever started it.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus/modbus.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <unistd.h>

enum { UNIT = 1, MOST_BYTES = 65536, MOST_READY = 64, BACKLOG = 128 };

static int give_up(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    return 1;
}

static int load(const char *path, uint8_t *into)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        exit(give_up(path));
    int size = (int) fread(into, 1, MOST_BYTES, file);
    fclose(file);
    return size;
}

static int load_registers(const char *path, uint16_t *into)
{
    static uint8_t bytes[MOST_BYTES];
    int count = load(path, bytes) / 2;
    for (int at = 0; at < count; at++)
        into[at] = (uint16_t) (bytes[2 * at] << 8 | bytes[2 * at + 1]);
    return count;
}

static modbus_mapping_t *mapping_of(char **paths)
{
    static uint8_t coils[MOST_BYTES], inputs[MOST_BYTES];
    static uint16_t registers[MOST_BYTES / 2], readings[MOST_BYTES / 2];
    int coil_count = load(paths[0], coils), input_count = load(paths[1], inputs);
    int register_count = load_registers(paths[2], registers), reading_count = load_registers(paths[3], readings);
    modbus_mapping_t *mapping = modbus_mapping_new(coil_count, input_count, register_count, reading_count);
    if (mapping == NULL)
        exit(give_up("mapping"));
    memcpy(mapping->tab_bits, coils, coil_count);
    memcpy(mapping->tab_input_bits, inputs, input_count);
    memcpy(mapping->tab_registers, registers, register_count * sizeof *registers);
    memcpy(mapping->tab_input_registers, readings, reading_count * sizeof *readings);
    return mapping;
}

static void watch(int poller, int descriptor)
{
    struct epoll_event wanted = {.events = EPOLLIN, .data.fd = descriptor};
    if (epoll_ctl(poller, EPOLL_CTL_ADD, descriptor, &wanted) < 0)
        exit(give_up("epoll_ctl"));
}

static void welcome(int poller, int listener)
{
    int guest = accept(listener, NULL, NULL), at_once = 1;
    if (guest < 0)
        return;
    setsockopt(guest, IPPROTO_TCP, TCP_NODELAY, &at_once, sizeof at_once); /* the library sets it as a client only */
    watch(poller, guest);
}

/* One request of a connection; what else it has sent makes it ready again at once. */
static void answer(modbus_t *bus, int guest, modbus_mapping_t *mapping)
{
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    modbus_set_socket(bus, guest);
    int length = modbus_receive(bus, request);
    if (length < 0)
        close(guest);
    else
        modbus_reply(bus, request, length, mapping);
}

static int serve(char **paths)
{
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    modbus_mapping_t *mapping = mapping_of(paths);
    modbus_t *bus = modbus_new_tcp("127.0.0.1", 0);
    modbus_set_response_timeout(bus, 0, 1); /* it sleeps for so long before it answers some exceptions */
    int listener = modbus_tcp_listen(bus, BACKLOG);
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    if (listener < 0 || getsockname(listener, (struct sockaddr *) &address, &size) < 0)
        return give_up("listen");
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);
    int poller = epoll_create1(0), count;
    struct epoll_event ready[MOST_READY];
    watch(poller, listener);
    while ((count = epoll_wait(poller, ready, MOST_READY, -1)) >= 0)
        for (int at = 0; at < count; at++)
            if (ready[at].data.fd == listener)
                welcome(poller, listener);
            else
                answer(bus, ready[at].data.fd, mapping);
    return give_up("epoll_wait");
}

static int show(const char *what, int outcome)
{
    printf("%s %d%s%s\n", what, outcome, outcome < 0 ? " " : "", outcome < 0 ? modbus_strerror(errno) : "");
    return outcome;
}

static void show_registers(const uint16_t *registers, int count)
{
    for (int at = 0; at < count; at++)
        printf("%04X%c", registers[at], at + 1 < count ? ' ' : '\n');
}

static int ask(const char *port)
{
    modbus_t *bus = modbus_new_tcp("127.0.0.1", atoi(port));
    uint16_t registers[MODBUS_MAX_READ_REGISTERS] = {0}, written[] = {0x0123, 0x4567, 0x89AB};
    uint8_t bits[MODBUS_MAX_READ_BITS] = {0}, text[MODBUS_MAX_PDU_LENGTH] = {0};
    modbus_set_slave(bus, UNIT);
    if (modbus_connect(bus) < 0)
        return give_up("connect");
    if (show("read bits", modbus_read_bits(bus, 0, 3, bits)) > 0)
        printf("%d%d%d\n", bits[0], bits[1], bits[2]);
    if (show("read input bits", modbus_read_input_bits(bus, 0, 3, bits)) > 0)
        printf("%d%d%d\n", bits[0], bits[1], bits[2]);
    if (show("read registers", modbus_read_registers(bus, 0, 3, registers)) > 0)
        show_registers(registers, 3);
    if (show("read input registers", modbus_read_input_registers(bus, 0, 3, registers)) > 0)
        show_registers(registers, 3);
    show("write bit", modbus_write_bit(bus, 1, 1));
    show("write register", modbus_write_register(bus, 0, 0x0012));
    show("mask write register", modbus_mask_write_register(bus, 0, 0x00F2, 0x0025));
    show("write bits", modbus_write_bits(bus, 0, 2, (const uint8_t[]){1, 1}));
    show("write registers", modbus_write_registers(bus, 5, 3, written));
    if (show("write and read registers", modbus_write_and_read_registers(bus, 1, 3, written, 0, 8, registers)) > 0)
        show_registers(registers, 8);
    show("read past the end", modbus_read_registers(bus, 65535, 2, registers));
    int size = show("report server id", modbus_report_slave_id(bus, sizeof text, text));
    if (size > 2)
        printf("%02X %02X %.*s\n", text[0], text[1], size - 2, (const char *) text + 2);
    modbus_close(bus);
    modbus_free(bus);
    return 0;
}

static int along(char **words)
{
    modbus_t *bus = modbus_new_rtu(words[0], 19200, 'N', 8, 2);
    int from = atoi(words[1]), size = atoi(words[2]);
    uint16_t registers[MODBUS_MAX_READ_REGISTERS] = {0};
    uint8_t bits[MODBUS_MAX_READ_BITS] = {0};
    modbus_set_slave(bus, UNIT);
    modbus_set_response_timeout(bus, 5, 0);
    if (modbus_connect(bus) < 0)
        return give_up("connect");
    if (show("read input registers", modbus_read_input_registers(bus, from, size, registers)) > 0)
        show_registers(registers, size);
    show("write bit", modbus_write_bit(bus, 0, 1));
    if (show("read bits", modbus_read_bits(bus, 0, 1, bits)) > 0)
        printf("%d\n", bits[0]);
    show("read past the end", modbus_read_registers(bus, 65535, 1, registers));
    modbus_close(bus);
    modbus_free(bus);
    return 0;
}

int main(int count, char **arguments)
{
    if (count == 6 && strcmp(arguments[1], "serve") == 0)
        return serve(arguments + 2);
    if (count == 3 && strcmp(arguments[1], "ask") == 0)
        return ask(arguments[2]);
    if (count == 5 && strcmp(arguments[1], "along") == 0)
        return along(arguments + 2);
    fprintf(stderr, "usage: peer serve COILS INPUTS REGISTERS READINGS | ask PORT | along LINE FROM COUNT\n");
    return 2;
}
