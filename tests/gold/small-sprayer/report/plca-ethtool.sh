# PLCA settings as ethtool(8) commands for Linux. To be adapted: run each line on its
# own node and put the name of its network interface in place of IFACE_...

# segment front-line
ethtool --set-plca-cfg IFACE_zone_front_port_1 enable on node-id 0 node-cnt 5 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 1
ethtool --set-plca-cfg IFACE_work_lamp_left enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # work-lamp-left
ethtool --set-plca-cfg IFACE_work_lamp_right enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # work-lamp-right
ethtool --set-plca-cfg IFACE_wind_sensor enable on node-id 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # wind-sensor

# segment middle-line
ethtool --set-plca-cfg IFACE_zone_front_port_2 enable on node-id 0 node-cnt 4 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 2
ethtool --set-plca-cfg IFACE_tank_level enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # tank-level
ethtool --set-plca-cfg IFACE_pressure_a enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # pressure-a

# segment camera-link
ethtool --set-plca-cfg IFACE_zone_front_port_3 enable on node-id 0 node-cnt 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-front switch port 3
ethtool --set-plca-cfg IFACE_camera enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # camera

# segment rear-line
ethtool --set-plca-cfg IFACE_zone_rear_port_1 enable on node-id 0 node-cnt 4 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 1
ethtool --set-plca-cfg IFACE_pressure_b enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # pressure-b
ethtool --set-plca-cfg IFACE_pump enable on node-id 2 to-tmr 32 burst-cnt 0 burst-tmr 128  # pump

# segment boom-left
ethtool --set-plca-cfg IFACE_zone_rear_port_2 enable on node-id 0 node-cnt 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 2
ethtool --set-plca-cfg IFACE_valve_left enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # valve-left

# segment boom-right
ethtool --set-plca-cfg IFACE_zone_rear_port_3 enable on node-id 0 node-cnt 3 to-tmr 32 burst-cnt 0 burst-tmr 128  # zone-rear switch port 3
ethtool --set-plca-cfg IFACE_valve_right enable on node-id 1 to-tmr 32 burst-cnt 0 burst-tmr 128  # valve-right
