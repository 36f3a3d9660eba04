# PLCA settings as ethtool(8) commands for Linux. To be adapted: run each line on its own node and
# put the name of its network interface in place of IFACE_...
# Needs Linux 6.3 or newer, ethtool 6.3 or newer, and a driver that knows PLCA; older ones refuse
# the option.
# Order on each segment, also when a running one is changed:
#  1. The coordinator (node-id 0) first: its node count is raised before a node with a higher ID
#     comes, since an ID beyond the count never gets a transmit opportunity.
#  2. Then the other nodes, one after the other. Two nodes never have one ID at a time: take a node
#     off ("enable off") before another one gets its ID.
#  3. The node count is lowered last, when no node has an ID beyond it any more.
# Behind each setting: --get-plca-cfg reads it back, --get-plca-status says "on" once the node is in
# step with the coordinator's BEACON. On a segment with a node that says "off" no worst-case delay
# holds.
# small-sprayer, problem_digest 06765104bb300a9933a2515d99f1471d802e632f9a36ba19800d2401c8632367, layout_digest 6a1a64c153d7b10fc6115aba29f4d166cd569502e361c28e7c6e015f58168f92

# segment front-line
ethtool --set-plca-cfg IFACE_zone_front_port_1 enable on node-id 0 node-cnt 5 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 1
ethtool --get-plca-cfg IFACE_zone_front_port_1
ethtool --get-plca-status IFACE_zone_front_port_1
ethtool --set-plca-cfg IFACE_work_lamp_left enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # work-lamp-left
ethtool --get-plca-cfg IFACE_work_lamp_left
ethtool --get-plca-status IFACE_work_lamp_left
ethtool --set-plca-cfg IFACE_work_lamp_right enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # work-lamp-right
ethtool --get-plca-cfg IFACE_work_lamp_right
ethtool --get-plca-status IFACE_work_lamp_right
ethtool --set-plca-cfg IFACE_wind_sensor enable on node-id 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # wind-sensor
ethtool --get-plca-cfg IFACE_wind_sensor
ethtool --get-plca-status IFACE_wind_sensor

# segment middle-line
ethtool --set-plca-cfg IFACE_zone_front_port_2 enable on node-id 0 node-cnt 4 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 2
ethtool --get-plca-cfg IFACE_zone_front_port_2
ethtool --get-plca-status IFACE_zone_front_port_2
ethtool --set-plca-cfg IFACE_tank_level enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # tank-level
ethtool --get-plca-cfg IFACE_tank_level
ethtool --get-plca-status IFACE_tank_level
ethtool --set-plca-cfg IFACE_pressure_a enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # pressure-a
ethtool --get-plca-cfg IFACE_pressure_a
ethtool --get-plca-status IFACE_pressure_a

# segment camera-link
ethtool --set-plca-cfg IFACE_zone_front_port_3 enable on node-id 0 node-cnt 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 3
ethtool --get-plca-cfg IFACE_zone_front_port_3
ethtool --get-plca-status IFACE_zone_front_port_3
ethtool --set-plca-cfg IFACE_camera enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # camera
ethtool --get-plca-cfg IFACE_camera
ethtool --get-plca-status IFACE_camera

# segment rear-line
ethtool --set-plca-cfg IFACE_zone_rear_port_1 enable on node-id 0 node-cnt 4 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 1
ethtool --get-plca-cfg IFACE_zone_rear_port_1
ethtool --get-plca-status IFACE_zone_rear_port_1
ethtool --set-plca-cfg IFACE_pressure_b enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # pressure-b
ethtool --get-plca-cfg IFACE_pressure_b
ethtool --get-plca-status IFACE_pressure_b
ethtool --set-plca-cfg IFACE_pump enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # pump
ethtool --get-plca-cfg IFACE_pump
ethtool --get-plca-status IFACE_pump

# segment boom-left
ethtool --set-plca-cfg IFACE_zone_rear_port_2 enable on node-id 0 node-cnt 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 2
ethtool --get-plca-cfg IFACE_zone_rear_port_2
ethtool --get-plca-status IFACE_zone_rear_port_2
ethtool --set-plca-cfg IFACE_valve_left enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # valve-left
ethtool --get-plca-cfg IFACE_valve_left
ethtool --get-plca-status IFACE_valve_left

# segment boom-right
ethtool --set-plca-cfg IFACE_zone_rear_port_3 enable on node-id 0 node-cnt 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 3
ethtool --get-plca-cfg IFACE_zone_rear_port_3
ethtool --get-plca-status IFACE_zone_rear_port_3
ethtool --set-plca-cfg IFACE_valve_right enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # valve-right
ethtool --get-plca-cfg IFACE_valve_right
ethtool --get-plca-status IFACE_valve_right
